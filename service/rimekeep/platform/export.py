"""Everything of one site in open formats: a file for each table, and a manifest of counts and digests."""

import csv
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum
from pathlib import Path
from typing import Any, TextIO

from sqlalchemy import Column, ColumnElement, LargeBinary, Table, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.platform.audit import host_alone, is_secret

FORMAT = "rimekeep export 1"
AT_ONCE = 5000
# Answers kept for repeats, and how signing in is guarded: no records, and they may hold what is secret.
LEFT_OUT = frozenset({"stored_answer", "sign_in_pace", "sign_on_used"})


class Form(StrEnum):
    """How rows are written."""

    JSON_LINES = "jsonl"
    CSV = "csv"


@dataclass(frozen=True, slots=True)
class Written:
    """One file of an export."""

    table: str
    file: str
    rows: int
    sha256: str
    columns: list[str]
    left_out: list[str]


def of_site(table: Table, site_id: int) -> ColumnElement[bool] | None:
    """Return which rows of a table belong to a site, by themselves or what they point to; None: no way."""
    if table.name == "site":
        return table.c.id == site_id
    if "site_id" in table.c:
        return table.c.site_id == site_id
    for key in sorted(table.foreign_keys, key=lambda key: str(key.parent.name)):
        target = key.column.table
        if isinstance(target, Table) and target is not table and not key.parent.nullable:
            belongs = of_site(target, site_id)
            if belongs is not None:
                return key.parent.in_(select(key.column).where(belongs))
    return None


def export_site(session: Session, site_id: int, folder: Path, form: Form, now: datetime) -> list[Written]:
    """
    Write a site's rows into ``folder``, table by table, with the manifest last.

    ``session`` must see one state throughout. Hashes of secrets are left out, and the manifest names them.
    """
    files = []
    for name, table in sorted(SQLModel.metadata.tables.items()):
        belongs = None if name in LEFT_OUT else of_site(table, site_id)
        if belongs is not None:
            files.append(_write(session, table, belongs, folder, form))
    manifest = {
        "format": FORMAT,
        "site_id": site_id,
        "made_at": now.isoformat(),
        "tables_left_out": sorted(LEFT_OUT),
        "files": [{name: getattr(one, name) for name in Written.__dataclass_fields__} for one in files],
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False)
    (folder / "manifest.json").write_text(text, encoding="utf-8")
    return files


def _write(session: Session, table: Table, belongs: ColumnElement[bool], folder: Path, form: Form) -> Written:
    kept: list[Column[Any]] = [
        one for one in table.columns if not (is_secret(one.name) or isinstance(one.type, LargeBinary))
    ]
    names = [one.name for one in kept]
    path = folder / f"{table.name}.{form}"
    statement = select(*kept).where(belongs).order_by(*table.primary_key.columns)
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = session.execute(statement.execution_options(yield_per=AT_ONCE))
        count = _lines(
            file, form, names, ([_plain(*both) for both in zip(names, row, strict=True)] for row in rows)
        )
    with path.open("rb") as written:
        digest = hashlib.file_digest(written, "sha256").hexdigest()
    left_out = [one.name for one in table.columns if one.name not in names]
    return Written(table.name, path.name, count, digest, names, left_out)


def _lines(file: TextIO, form: Form, names: list[str], rows: Iterator[list[Any]]) -> int:
    count = 0
    if form is Form.JSON_LINES:
        for row in rows:
            file.write(json.dumps(dict(zip(names, row, strict=True)), ensure_ascii=False) + "\n")
            count += 1
        return count
    table = csv.writer(file)
    table.writerow(names)
    for row in rows:
        table.writerow(
            json.dumps(value, ensure_ascii=False) if isinstance(value, dict | list) else value
            for value in row
        )
        count += 1
    return count


def _plain(name: str, value: Any) -> Any:
    if name == "url" and "://" in str(value):
        return host_alone(str(value))
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return value if value is None or isinstance(value, str | int | float | bool | list | dict) else str(value)
