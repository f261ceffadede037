"""Backups taken while others write, restored only where everything comes out as it went in."""

from __future__ import annotations

import json
import threading
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import inspect, text

import rimekeep.main  # noqa: F401 - every feature's tables
from builders.api import Api
from builders.databases import NOW, open_database
from builders.postgres import PostgresServer
from rimekeep.cli.check import findings
from rimekeep.errors import Conflict, Refused
from rimekeep.platform.backups import archive, back_up, restore
from rimekeep.platform.database import Database
from rimekeep.platform.journal import Event, record

ONE_KIND = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
Open = Callable[[], Database]


@pytest.fixture
def empty(request: pytest.FixtureRequest, database: Database, tmp_path: Path) -> Iterator[Open]:
    """Opens an empty database of the test's own kind, and again the same."""
    if database.settings.is_sqlite:
        url = f"sqlite:///{tmp_path / 'target.sqlite3'}"
    else:
        server: PostgresServer = request.getfixturevalue("postgres")
        url = server.url(server.create())
    opened: list[Database] = []

    def again() -> Database:
        opened.append(open_database(url))
        return opened[-1]

    yield again
    for one in opened:
        one.dispose()


def write_one(database: Database, site_id: int) -> None:
    with database.transaction() as session:
        record(session, site_id, Event("note.written", NOW, data={"text": "invented"}))


def tables(database: Database) -> list[str]:
    return inspect(database.engine).get_table_names()


def test_a_backup_taken_while_others_write_holds_one_moment(
    api: Api, database: Database, empty: Open, tmp_path: Path
) -> None:
    site_id = api.callers["lead"].site_id
    written, stopped = [0], threading.Event()

    def write() -> None:
        while not stopped.is_set():
            write_one(database, site_id)
            written[0] += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        # Until one has seen commits go by.
        for number in range(50):
            before = written[0]
            manifest = back_up(database.engine, tmp_path / f"backup-{number}", NOW)
            if written[0] > before > 0:
                break
    finally:
        stopped.set()
        writer.join()
    assert written[0] > before > 0
    target = empty()
    assert restore(tmp_path / f"backup-{number}", target.settings, target.engine, findings) == manifest
    target = empty()
    with target.transaction(readonly=True) as session:
        events = session.scalar(text("SELECT count(*) FROM ledger_event"))
        assert [events, session.scalar(text("SELECT event_hash FROM site_head"))] == manifest.ledgers["NORTH"]
        assert list(findings(session)) == []
    # It goes on where the backup stood.
    write_one(target, site_id)
    with target.transaction(readonly=True) as session:
        assert list(findings(session)) == []


def test_a_ledger_edited_by_hand_does_not_come_back(
    api: Api, database: Database, empty: Open, tmp_path: Path
) -> None:
    write_one(database, api.callers["lead"].site_id)
    with database.engine.begin() as connection:
        if database.settings.is_sqlite:
            connection.execute(text("DROP TRIGGER ledger_event_no_update"))
        else:
            connection.execute(text("DROP TRIGGER ledger_event_append_only ON ledger_event"))
        connection.execute(
            text("UPDATE ledger_event SET kind = 'nothing.happened' WHERE kind = 'note.written'")
        )
    back_up(database.engine, tmp_path / "backup", NOW)
    target = empty()
    with pytest.raises(Refused, match="does not match its hash") as caught:
        restore(tmp_path / "backup", target.settings, target.engine, findings)
    assert caught.value.code == "restore-disagrees"
    assert tables(empty()) == []


def test_a_restore_that_breaks_off_unverified_leaves_nothing(
    api: Api, database: Database, empty: Open, tmp_path: Path
) -> None:
    back_up(database.engine, tmp_path / "backup", NOW)

    def breaks_off(_session: object) -> list[str]:
        raise KeyboardInterrupt

    target = empty()
    with pytest.raises(KeyboardInterrupt):
        restore(tmp_path / "backup", target.settings, target.engine, breaks_off)
    assert tables(empty()) == []


def test_only_an_empty_database_is_restored_into(api: Api, database: Database, tmp_path: Path) -> None:
    back_up(database.engine, tmp_path / "backup", NOW)
    before = (tmp_path / "backup").read_bytes()
    with pytest.raises(Refused) as caught:
        restore(tmp_path / "backup", database.settings, database.engine, findings)
    assert caught.value.code == "database-not-empty"
    with pytest.raises(Conflict):
        back_up(database.engine, tmp_path / "backup", NOW)
    assert (tmp_path / "backup").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["backup"], "nothing is left lying about"
    assert (tmp_path / "backup").stat().st_mode & 0o077 == 0, "it holds secrets"


@ONE_KIND
def test_a_backup_cut_short_anywhere_is_refused(
    api: Api, database: Database, empty: Open, tmp_path: Path
) -> None:
    back_up(database.engine, tmp_path / "whole", NOW)
    whole, cut = (tmp_path / "whole").read_bytes(), tmp_path / "cut"
    target = empty()
    for length in (0, 10, len(whole) // 2, len(whole) - 30, len(whole) - 1):
        cut.write_bytes(whole[:length])
        with pytest.raises(Refused) as caught:
            restore(cut, target.settings, target.engine, findings)
        assert caught.value.code == "backup-broken", length
    assert tables(target) == []
    with pytest.raises(Refused) as caught:
        restore(tmp_path / "nowhere", target.settings, target.engine, findings)
    assert caught.value.code == "backup-missing"


@ONE_KIND
def test_a_backup_altered_anywhere_is_refused(
    api: Api, database: Database, empty: Open, tmp_path: Path
) -> None:
    back_up(database.engine, tmp_path / "whole", NOW)
    whole, altered = (tmp_path / "whole").read_bytes(), tmp_path / "altered"
    target = empty()
    for place in (2_000, len(whole) // 2):
        changed = bytearray(whole)
        changed[place] ^= 0x55
        altered.write_bytes(changed)
        with pytest.raises(Refused) as caught:
            restore(altered, target.settings, target.engine, findings)
        assert caught.value.code == "backup-broken"
    with zipfile.ZipFile(tmp_path / "whole") as source:
        manifest, dump = json.loads(source.read(archive.MANIFEST)), source.read(archive.DUMP)
    for change, code in (
        ({"tables": {**manifest["tables"], "principal": 1}}, "restore-disagrees"),
        ({"ledgers": {"NORTH": [1, "0" * 64]}}, "restore-disagrees"),
        ({"dump_sha256": "0" * 64}, "backup-broken"),
        ({"format": "something else"}, "backup-broken"),
        ({"kind": "postgresql"}, "other-kind"),
        ({"migration": "0001"}, "other-version"),
    ):
        with zipfile.ZipFile(altered, "w") as packed:
            packed.writestr(archive.DUMP, dump)
            packed.writestr(archive.MANIFEST, json.dumps({**manifest, **change}))
        with pytest.raises(Refused) as caught:
            restore(altered, target.settings, target.engine, findings)
        assert caught.value.code == code
        target = empty()
        assert tables(target) == []
