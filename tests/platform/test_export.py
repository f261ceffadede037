"""Everything of one site in open formats, and nothing of another or secret."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlmodel import SQLModel

import rimekeep.main  # noqa: F401 - every feature's tables
from builders.api import Api
from builders.databases import NOW
from builders.store import product_body
from rimekeep.platform.database import Database
from rimekeep.platform.export import LEFT_OUT, Form, export_site, of_site


def written(database: Database, site_id: int, folder: Path, form: Form = Form.JSON_LINES) -> Any:
    folder.mkdir()
    with database.transaction(readonly=True) as session:
        export_site(session, site_id, folder, form, NOW)
    return json.loads((folder / "manifest.json").read_text(encoding="utf-8"))


def test_every_table_is_given_out_or_named_as_left_out() -> None:
    without = {name for name, table in SQLModel.metadata.tables.items() if of_site(table, 1) is None}
    assert without <= LEFT_OUT
    assert set(SQLModel.metadata.tables) >= LEFT_OUT


def test_a_site_s_rows_are_written_with_counts_and_digests(
    api: Api, database: Database, tmp_path: Path
) -> None:
    api.made("/v1/products", product_body("X", name="Žatec, 'invented'"))
    api.made("/v1/subscriptions", {"url": "http://127.0.0.1:9/services/kept-here?k=opensesame"})
    token = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    headers = {"Authorization": f"Bearer {token}"}
    api.made("/v1/products", product_body("FOREIGN"), headers=headers)
    manifest = written(database, api.callers["lead"].site_id, tmp_path / "out")
    files = {one["table"]: one for one in manifest["files"]}
    everything = ""
    for one in files.values():
        content = (tmp_path / "out" / one["file"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == one["sha256"]
        assert content.count(b"\n") == one["rows"]
        everything += content.decode()
    assert "FOREIGN" not in everything
    assert "South store" not in everything
    assert "http://127.0.0.1:9/" in everything
    assert "kept-here" not in everything
    assert "opensesame" not in everything, "an address may hold a password of the receiver's own"
    product = json.loads((tmp_path / "out" / "product.jsonl").read_text(encoding="utf-8"))
    assert (product["name"], product["abv_pct"]) == ("Žatec, 'invented'", 5.0)
    with database.transaction(readonly=True) as session:
        hashes = list(session.scalars(text("SELECT token_hash FROM access_token")))
    assert hashes
    assert [one for one in (*hashes, token, *api.tokens.values()) if one in everything] == []
    assert files["access_token"]["left_out"] == ["token_hash"]
    assert files["access_token"]["rows"] == len(api.tokens)
    assert "hash" in files["ledger_event"]["columns"], "the chain can be verified from the export alone"


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_tables_hold_what_json_lines_hold(api: Api, database: Database, tmp_path: Path) -> None:
    api.made("/v1/products", product_body("X"))
    site_id = api.callers["lead"].site_id
    written(database, site_id, tmp_path / "lines")
    manifest = written(database, site_id, tmp_path / "tables", Form.CSV)
    for one in manifest["files"]:
        with (tmp_path / "tables" / one["file"]).open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        lines = (tmp_path / "lines" / f"{one['table']}.jsonl").read_text(encoding="utf-8").splitlines()
        assert (rows[0], len(rows) - 1, len(lines)) == (one["columns"], one["rows"], one["rows"])
        for row, line in zip(rows[1:], map(json.loads, lines), strict=True):
            assert [cell == "" for cell in row] == [value in (None, "") for value in line.values()]
