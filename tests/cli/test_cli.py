"""
The command line: what it does, what it says, and its exit codes: 0 done, 1 the answer is no, 2 bad input.

Commands run in this process, with their settings from the environment as in a shell; a process of its own is
started where the process is the point.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from builders.postgres import PostgresServer
from builders.rows import table_counts, tamper
from builders.server import COMMAND, free_port, serving
from builders.warm import run_warm
from rimekeep import cli
from rimekeep.access.usecases import open_new_site
from rimekeep.cli.bench import Part
from rimekeep.cli.serve import prepare
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import is_current
from rimekeep.platform.settings import load_settings

ROOT = Path(__file__).parents[2]
DECKS = ROOT / "fixtures" / "checks" / "loads"
ZONES = "code,name,kind,planned_c\nCOLD,Cold room,store,4\nDOCK,Dock,dock,12\n"
PRODUCT_HEAD = (
    "sku,name,gtin,package,abv_pct,original_extract_p,alcohol_mass_pct,case_mass_kg,cases_per_layer,"
    "layers_per_pallet,pallet_tare_kg,footprint,carry_min_c,carry_max_c"
)
PRODUCT = "ALE,Invented ale,,bottle,5.2,12.4,4.1,18.5,8,6,25,800x1200,1,12"


@dataclass
class Said:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output as JSON; that nothing else stands there is part of the promise."""
        return json.loads(self.out)


Run = Callable[..., Said]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run the command line as its script does; the folder it runs in is the test's own."""
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("RIMEKEEP_")]:
        monkeypatch.delenv(name)

    def command(*arguments: object, **environment: str) -> Said:
        with monkeypatch.context() as shell:
            shell.setattr(sys, "argv", ["rimekeep", *map(str, arguments)])
            for name, value in environment.items():
                shell.setenv(f"RIMEKEEP_{name.upper()}", value)
            capsys.readouterr()
            try:
                cli.main()
                code = 0
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
        said = capsys.readouterr()
        return Said(code, said.out, said.err)

    return command


@pytest.fixture
def store(run: Run, database: Database, database_url: str) -> Run:
    """The command line on a database with an empty site."""
    prepare(database)

    def command(*arguments: object, **environment: str) -> Said:
        return run(*arguments, **{"database_url": database_url, **environment})

    return command


def serve_in_vain(folder: Path, **settings: str) -> Said:
    """Run `rimekeep serve` where it must refuse, as a process: it would serve until it is stopped."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("RIMEKEEP_")}
    environment |= {f"RIMEKEEP_{name.upper()}": value for name, value in settings.items()}
    done = run_warm(["serve", "--port", str(free_port())], environment, folder)
    return Said(done.returncode, done.stdout, done.stderr)


def write(folder: Path, content: str | bytes) -> Path:
    path = folder / "file.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


# import


def test_a_good_file_is_stored_and_safe_to_read_twice(store: Run, database: Database, tmp_path: Path) -> None:
    file = write(tmp_path, ZONES)
    first, again = store("import", "zones", file, "--json"), store("import", "zones", file, "--json")
    assert (first.code, first.json["created"], first.json["faults"]) == (0, 2, [])
    assert (again.code, again.json["created"], again.json["unchanged"]) == (0, 0, 2)
    assert table_counts(database)["zone"] == 2
    plain = store("import", "zones", file)
    assert (plain.code, "2 already there" in plain.out) == (0, True)


def test_forced_ageing_is_read_with_its_replicates_and_safe_to_read_twice(
    store: Run, database: Database, tmp_path: Path
) -> None:
    assert store("import", "products", write(tmp_path, f"{PRODUCT_HEAD}\n{PRODUCT}\n")).code == 0
    scores = "sku;series;temp_f;day;score\nALE;T1;98,6;5;6,5\nALE;T1;98,6;5;6,5\nALE;T1;68;30;7\n"
    file = write(tmp_path, scores)
    first, again = (store("import", "forced-ageing", file, "--json") for _ in range(2))
    assert (first.code, first.json["created"]) == (0, 3)
    assert (again.code, again.json["created"], again.json["unchanged"]) == (0, 0, 3)
    bad = store("import", "forced-ageing", write(tmp_path, scores + "ALE;T1;212;1;5\n"), "--json")
    assert (bad.code, [(one["line"], one["column"]) for one in bad.json["faults"]]) == (2, [(5, "temp_f")])
    assert table_counts(database)["forced_ageing_score"] == 3


def test_one_bad_row_keeps_the_whole_file_out(store: Run, database: Database, tmp_path: Path) -> None:
    before = table_counts(database)
    file = write(tmp_path, ZONES + "WARM,Warm room,sauna,90\n")
    said = store("import", "zones", file, "--json")
    assert (said.code, said.json["created"]) == (2, 0)
    faults = {(fault["line"], fault["column"]) for fault in said.json["faults"]}
    assert (4, "kind") in faults
    assert all(fault["detail"] and fault["mend"] for fault in said.json["faults"])
    assert table_counts(database) == before
    plain = store("import", "zones", file)
    assert plain.code == 2
    assert "Nothing was stored" in plain.out
    assert "kind" in plain.err


def test_partial_stores_the_good_rows_and_still_says_2(
    store: Run, database: Database, tmp_path: Path
) -> None:
    file = write(tmp_path, ZONES + "WARM,Warm room,sauna,90\n")
    said = store("import", "zones", file, "--partial", "--json")
    assert (said.code, said.json["created"]) == (2, 2)
    assert {fault["line"] for fault in said.json["faults"]} == {4}
    assert table_counts(database)["zone"] == 2


def test_semicolons_and_decimal_commas_are_read(store: Run, database: Database, tmp_path: Path) -> None:
    head, row = PRODUCT_HEAD.replace(",", ";"), PRODUCT.replace(",", ";").replace(".", ",")
    said = store("import", "products", write(tmp_path, f"\ufeff{head}\r\n{row}\r\n"), "--json")
    assert (said.code, said.json["created"]) == (0, 1), said.out
    with database.transaction(readonly=True) as session:
        stored = session.execute(text("SELECT case_mass_kg, abv_pct FROM product")).one()
    assert tuple(map(float, stored)) == (18.5, 5.2)


def test_another_encoding_is_asked_for_not_guessed(store: Run, database: Database, tmp_path: Path) -> None:
    data = ZONES.replace("Cold room", "Kühlraum").encode("cp1252")
    refused = store("import", "zones", write(tmp_path, data))
    assert refused.code == 2
    assert "--encoding" in refused.err or "encoding" in refused.err
    assert "Traceback" not in refused.err
    taken = store("import", "zones", write(tmp_path, data), "--encoding", "cp1252", "--json")
    assert taken.code == 0
    with database.transaction(readonly=True) as session:
        assert session.scalar(text("SELECT name FROM zone WHERE code = 'COLD'")) == "Kühlraum"
    assert store("import", "zones", write(tmp_path, data), "--encoding", "klingon").code == 2


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\n\n",
        b"\x00\x00\x00",
        b"code,name\nA,B\n",
        b'code,name,kind,planned_c\n"A,B',
        b"PK\x03\x04\x14\x00",
    ],
)
def test_a_file_that_is_none_is_bad_input(
    store: Run, database: Database, tmp_path: Path, content: bytes
) -> None:
    before = table_counts(database)
    said = store("import", "zones", write(tmp_path, content))
    assert said.code == 2
    assert said.err
    assert "Traceback" not in said.err
    assert table_counts(database) == before


def test_an_unknown_kind_names_those_there_are(store: Run, tmp_path: Path) -> None:
    said = store("import", "kegs", write(tmp_path, ZONES))
    assert said.code == 2
    assert "products" in said.err


def test_a_missing_file_and_a_folder_are_bad_input(store: Run, tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere.csv", tmp_path):
        said = store("import", "zones", path)
        assert said.code == 2
        assert path.name in said.err.replace("\n", "")


def test_a_database_never_set_up_is_not_imported_into(run: Run, tmp_path: Path) -> None:
    said = run(
        "import", "zones", write(tmp_path, ZONES), database_url=f"sqlite:///{tmp_path / 'new.sqlite3'}"
    )
    assert said.code == 2
    assert "db upgrade" in said.err


def test_two_sites_need_a_name(store: Run, database: Database, tmp_path: Path) -> None:
    with database.transaction() as session:
        open_new_site(session, datetime(2026, 3, 16, tzinfo=UTC), code="SOUTH", name="South (invented)")
    file = write(tmp_path, ZONES)
    unnamed = store("import", "zones", file)
    assert unnamed.code == 2
    assert "MAIN" in unnamed.err
    assert "SOUTH" in unnamed.err
    assert store("import", "zones", file, "--site", "SOUTH").code == 0
    assert store("import", "zones", file, "--site", "EAST").code == 2


# life


def test_a_constant_history_uses_the_life_arithmetic_says(run: Run, tmp_path: Path) -> None:
    """At the reference temperature a third of the reference life is used in a third of its time: by definition."""
    lines = [f"2026-03-{1 + day:02d}T00:00:00Z,20\n" for day in range(31)]
    file = write(tmp_path, "at,temp_c\n" + "".join(lines))
    said = run("life", file, "--life-days", 90, "--activation-kj-mol", 101.8, "--planned-c", 20, "--json")
    assert said.code == 0
    assert said.json["life_used"] == pytest.approx(30 / 90, rel=1e-9)
    assert said.json["days_left"] == pytest.approx(60, rel=1e-9)
    assert said.json["mean_kinetic_c"] == pytest.approx(20, abs=1e-9)
    assert "life_used" in run("life", file, "--life-days", 90, "--activation-kj-mol", 101.8).out


def test_a_history_that_cannot_be_read_is_bad_input(run: Run, tmp_path: Path) -> None:
    options = ("--life-days", 90, "--activation-kj-mol", 101.8)
    one = write(tmp_path, "at,temp_c\n2026-03-01T00:00:00Z,20\n")
    assert run("life", one, *options).code == 2
    bad = write(tmp_path, "at,temp_c\n2026-03-01T00:00:00Z,warm\n2026-03-02T00:00:00Z,4\n")
    said = run("life", bad, *options)
    assert (said.code, "line 2" in said.err) == (2, True)
    assert run("life", tmp_path / "nowhere.csv", *options).code == 2
    assert run("life", one).code == 2, "options that are needed are missing"
    assert run("life", one, "--life-days", -1, "--activation-kj-mol", 50).code == 2


# plan-load


def test_a_load_that_fits_and_one_that_does_not(run: Run) -> None:
    """The decks and their optima: fixtures/checks/loads/SOURCE.md."""
    fits = run("plan-load", DECKS / "deck_s1_basic.json", "--json")
    assert (fits.code, fits.json["status"]) == (0, "optimal")
    assert fits.json["trucks"] == len(fits.json["plan"]) >= 1
    pallets = json.loads((DECKS / "deck_s1_basic.json").read_text("utf-8"))["pallets"]
    assert sorted(p for truck in fits.json["plan"] for p, _, _ in truck) == sorted(p["id"] for p in pallets)
    no = run("plan-load", DECKS / "deck_s5_infeasible_fleet.json", "--json")
    assert (no.code, no.json["status"]) == (1, "infeasible")
    assert no.json["reasons"]
    drawn = run("plan-load", DECKS / "deck_s1_basic.json")
    assert (drawn.code, "truck 1" in drawn.out) == (0, True)


@pytest.mark.parametrize(
    "content", ["", "{", "[]", "{}", '{"truck": {}}', "NaN", "[" * 50_000, '{"truck": NaN}']
)
def test_a_load_nobody_can_read_is_bad_input(run: Run, tmp_path: Path, content: str) -> None:
    said = run("plan-load", write(tmp_path, content), "--json")
    assert (said.code, said.out) == (2, "")
    assert said.err
    assert run("plan-load", tmp_path / "nowhere.json").code == 2


# check


def test_check_finds_what_was_changed_behind_the_service_s_back(
    store: Run, database: Database, tmp_path: Path
) -> None:
    assert store("import", "zones", write(tmp_path, ZONES)).code == 0
    good = store("check", "--json")
    assert (good.code, good.json) == (0, {"agrees": True, "findings": []})
    assert "agree" in store("check").out
    tamper(database, "UPDATE ledger_event SET reason = 'nothing happened' WHERE seq = 2")
    bad = store("check", "--json")
    assert (bad.code, bad.json["agrees"]) == (1, False)
    assert any("event 2" in finding for finding in bad.json["findings"])
    plain = store("check")
    assert (plain.code, "event 2" in plain.err) == (1, True)


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("DELETE FROM ledger_event WHERE seq = 2", "missing"),
        ("DELETE FROM ledger_event WHERE seq = (SELECT max(seq) FROM ledger_event)", "head"),
        ("UPDATE ledger_event SET kind = 'zone.forgotten' WHERE seq = 2", "hash"),
        ("UPDATE site_head SET event_seq = 1", "head"),
    ],
)
def test_check_finds_an_edited_a_removed_and_a_cut_off_record(
    store: Run, database: Database, tmp_path: Path, harm: str, words: str
) -> None:
    assert store("import", "zones", write(tmp_path, ZONES)).code == 0
    tamper(database, harm)
    said = store("check", "--json")
    assert said.code == 1
    assert any(words in finding for finding in said.json["findings"]), said.json


# openapi, db upgrade, settings


def test_openapi_prints_the_committed_document(run: Run, tmp_path: Path) -> None:
    said = run("openapi")
    assert said.code == 0
    assert said.json == json.loads((ROOT / "openapi" / "rimekeep.json").read_text(encoding="utf-8"))
    assert not list(tmp_path.glob("*.sqlite3")), "describing the API needs no database"


def test_upgrade_makes_the_tables_and_may_be_run_again(run: Run, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'fresh' / 'store.sqlite3'}"
    assert [run("db", "upgrade", database_url=url).code for _ in range(2)] == [0, 0]
    database = Database(load_settings(database_url=url))
    assert is_current(database.engine)
    database.dispose()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("port", "eighty"), ("port", "70000"), ("database_url", "mysql://x/y"), ("database_url", "sqlite://"),
        ("database_url", "nonsense"), ("log_level", "loud"), ("lease_s", "1"), ("jobs", "perhaps"), ("compute_workers", "-1"),
    ],
)  # fmt: skip
def test_a_bad_setting_is_named_with_the_mend(run: Run, name: str, value: str) -> None:
    for command in (("db", "upgrade"), ("serve",), ("check",)):
        said = run(*command, **{name: value})
        assert said.code == 2, command
        assert f"RIMEKEEP_{name.upper()}" in said.err, command
        assert "Traceback" not in said.err


def test_a_weak_admin_token_is_refused_and_no_site_opened(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    said = serve_in_vain(tmp_path, database_url=url, admin_token="short")
    assert said.code == 2
    assert "RIMEKEEP_ADMIN_TOKEN" in said.err
    assert "Traceback" not in said.err
    database = Database(load_settings(database_url=url))
    with database.transaction(readonly=True) as session:
        assert session.scalar(text("SELECT count(*) FROM site")) == 0
    database.dispose()


def test_an_unknown_command_is_bad_input(run: Run) -> None:
    assert run("brew").code == 2
    assert run("db", "downgrade").code == 2


# serve


def test_serve_shows_one_admin_token_once(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    with serving(url, tmp_path) as server:
        shown = server.log.with_suffix(".out").read_text()
        assert len(re.findall(r"rk_[\w-]{40,}", shown)) == 1
        assert server.token not in server.log.read_text(), "a token has no place in a log"
        with server.client() as api:
            assert api.get("/v1/me")["roles"] == ["admin"]
    with serving(url, tmp_path, warm=True) as again:
        assert "rk_" not in again.log.with_suffix(".out").read_text()


def test_serve_leaves_a_database_of_another_version_alone(
    run: Run, database: Database, database_url: str, tmp_path: Path
) -> None:
    with database.transaction() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    before = table_counts(database)
    said = serve_in_vain(tmp_path, database_url=database_url)
    assert said.code == 1, "a refusal: the answer is no"
    assert "db upgrade" in said.err
    assert table_counts(database) == before
    assert run("check", database_url=database_url).code == 1


# demo, bench


CHAPTERS = (
    "1. Stock",
    "2. When the cold failed",
    "3. What goes first",
    "4. A pick list",
    "5. Trucks",
    "6. Does the record",
)


def check_story(out: str) -> None:
    for chapter in CHAPTERS:
        assert chapter in out, chapter
    served = re.search(r"(\d+) of (\d+) cases served; .* serves more than (\d+)", out.replace("\n", " "))
    assert served, out
    got, wanted, bound = map(int, served.groups())
    # Some orders cannot be met within their customers' rules, and nothing that could be served is left out.
    assert 0 < got == bound < wanted
    assert re.search(r"^short: \S+ \S+, \d+ cases: \w", out, re.MULTILINE), "a short line has its reason"
    assert "too warm" in out
    assert "silent" in out
    # The compressor trip and the open door, in °C: warm rooms, not a sauna, not a freezer.
    peaks = [float(peak) for peak in re.findall(r"(\d+\.\d) °C", out.split("3. What goes first")[0])]
    assert peaks
    assert all(4 < peak < 30 for peak in peaks)
    lost = [float(days) for days in re.findall(r"(\d+\.\d\d) days", out)]
    assert max(lost) > 0.1
    trucks = re.search(
        r"(optimal|feasible): (\d+) trucks, (\d+) drops; at least (\d+) trucks", out.replace("\n", " ")
    )
    assert trucks, out
    assert int(trucks[4]) <= int(trucks[2]) <= 3
    axles = re.findall(r"([\d,]+) of ([\d,]+) kg|([\d,]+) */ *([\d,]+) kg", out)
    for pair in axles:
        load, limit = (int(number.replace(",", "")) for number in pair if number)
        assert load <= limit
    assert "Chock the wheels" in out
    assert "Ledger, stays and reservations agree." in out


@pytest.mark.slow
def test_the_demo_tells_its_story_on_sqlite(run: Run) -> None:
    said = run("demo", "--once", "--fixtures", ROOT / "fixtures" / "demo")
    assert said.code == 0, said.err
    check_story(said.out)


@pytest.mark.slow
def test_the_demo_tells_its_story_on_postgresql(run: Run, postgres: PostgresServer) -> None:
    name = postgres.create()
    try:
        said = run(
            "demo", "--once", "--fixtures", ROOT / "fixtures" / "demo", "--database-url", postgres.url(name)
        )
        assert said.code == 0, said.err
        check_story(said.out)
        checked = run("check", "--json", database_url=postgres.url(name))
        assert (checked.code, checked.json["findings"]) == (0, [])
    finally:
        postgres.drop(name)


@pytest.mark.slow
def test_bench_prints_its_figures(tmp_path: Path) -> None:
    done = subprocess.run(
        [
            *(str(COMMAND), "bench", "--json", "--units", "100", "--days", "2", "--batches", "5"),
            *("--years", "1", "--lists", "64", "--capped", "1", "--planned", "1", "--events", "100000"),
            # A browser slowed down fourfold has no place beside other tests.
            *(f"--only={part}" for part in Part if part != Part.PAGES),
        ],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=1200,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert "SQLite" in told["machine"]
    assert len(told["figures"]) >= 4
    for figure in told["figures"]:
        # Zero where the aim is none at all, or where a busy machine proved nothing in time.
        assert figure["ratio"] >= 0, figure
        assert figure["work"], figure
        # A dash: told without an aim.
        assert figure["aim"][0] in "≥≤–", figure
