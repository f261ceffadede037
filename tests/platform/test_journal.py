"""The ledger: append-only, chained, in commit order."""

import threading
from datetime import UTC, datetime

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DatabaseError

from rimekeep.access.usecases import open_new_site
from rimekeep.platform.database import Database
from rimekeep.platform.journal import (
    Event,
    LedgerEvent,
    Notice,
    OutboxMessage,
    announce,
    broken_links,
    record,
)

AT = datetime(2026, 3, 1, 6, 30, 15, 123456, tzinfo=UTC)


@pytest.fixture
def site_id(database: Database) -> int:
    with database.transaction() as session:
        return open_new_site(session, AT, code="S", name="Site")[0].id


def fill(database: Database, site_id: int, count: int) -> None:
    with database.transaction() as session:
        for number in range(count):
            record(
                session,
                site_id,
                Event("unit.moved", AT, cases=number, reason="Füllung", data={"n": [number, 0.5]}),
            )


def broken(database: Database, site_id: int) -> list[str]:
    with database.transaction(readonly=True) as session:
        return list(broken_links(session, site_id))


def test_untouched_ledger_holds(database: Database, site_id: int) -> None:
    fill(database, site_id, 25)
    assert broken(database, site_id) == []


@pytest.mark.parametrize(
    "statement",
    ["UPDATE ledger_event SET cases = 1", "DELETE FROM ledger_event", "DELETE FROM outbox_message"],
)
def test_the_database_refuses_to_change_or_remove_what_was_recorded(
    database: Database, site_id: int, statement: str
) -> None:
    fill(database, site_id, 3)
    with database.transaction() as session:
        announce(session, site_id, Notice("excursion.opened", AT, {}))

    def attack() -> None:
        with database.transaction() as session:
            session.execute(text(statement))

    with pytest.raises(DatabaseError, match="append-only"):
        attack()


def tamper(database: Database, statement: str) -> None:
    """Do what somebody with the database's own rights could do: switch the guard off first."""
    with database.transaction() as session:
        if session.get_bind().dialect.name == "sqlite":
            session.execute(text("DROP TRIGGER ledger_event_no_update"))
            session.execute(text("DROP TRIGGER ledger_event_no_delete"))
        else:
            session.execute(text("ALTER TABLE ledger_event DISABLE TRIGGER USER"))
        session.execute(text(statement))


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("UPDATE ledger_event SET cases = 77 WHERE seq = 5", "event 5"),
        ("UPDATE ledger_event SET reason = 'other' WHERE seq = 5", "event 5"),
        ("UPDATE ledger_event SET at = '2026-03-02 06:30:15.123456+00:00' WHERE seq = 5", "event 5"),
        ("DELETE FROM ledger_event WHERE seq = 5", "5 is missing"),
        ("DELETE FROM ledger_event WHERE seq > 8", "the ledger ends at 8"),
    ],
)
def test_an_edited_or_removed_row_is_found(
    database: Database, site_id: int, statement: str, found: str
) -> None:
    fill(database, site_id, 10)
    tamper(database, statement)
    assert any(found in line for line in broken(database, site_id))


def test_what_is_rolled_back_is_neither_recorded_nor_announced(database: Database, site_id: int) -> None:
    def fail() -> None:
        with database.transaction() as session:
            record(session, site_id, Event("unit.moved", AT))
            announce(session, site_id, Notice("excursion.opened", AT, {}))
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError):
        fail()
    with database.transaction(readonly=True) as session:
        assert session.scalars(select(OutboxMessage)).all() == []
        assert "unit.moved" not in session.scalars(select(LedgerEvent.kind)).all()
    assert broken(database, site_id) == []


def test_many_writers_make_one_unbroken_chain(database: Database, site_id: int) -> None:
    def write(number: int) -> None:
        for _ in range(10):
            with database.transaction() as session:
                record(session, site_id, Event("unit.moved", AT, cases=number))
                announce(session, site_id, Notice("n", AT, {"from": number}))

    threads = [threading.Thread(target=write, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert broken(database, site_id) == []
    with database.transaction(readonly=True) as session:
        assert session.scalars(select(OutboxMessage.seq).order_by(OutboxMessage.seq)).all() == list(
            range(1, 61)
        )
