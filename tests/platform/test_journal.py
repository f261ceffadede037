"""The ledger: append-only, chained, in commit order."""

import threading
from datetime import UTC, datetime, timedelta
from uuid import RFC_4122, UUID

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DatabaseError

from builders.rows import tamper
from rimekeep.access.usecases import open_new_site
from rimekeep.platform.database import Database
from rimekeep.platform.journal import (
    Event,
    LedgerEvent,
    Notice,
    OutboxMessage,
    announce,
    broken_links,
    chain_hash,
    ordered_uuid,
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
    [
        "UPDATE ledger_event SET cases = 1",
        "DELETE FROM ledger_event",
        "DELETE FROM outbox_message",
        "UPDATE site_head SET event_seq = event_seq - 1",
        "UPDATE site_head SET outbox_seq = 0",
        "UPDATE site_head SET event_hash = 'x'",
        "DELETE FROM site_head",
    ],
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

    with pytest.raises(DatabaseError, match=r"append-only|only moves on"):
        attack()


def test_nothing_recorded_is_written_over_or_emptied(database: Database, site_id: int) -> None:
    """What each kind of database has beside UPDATE and DELETE to be rid of rows."""
    fill(database, site_id, 3)
    if database.settings.is_sqlite:
        own = "SELECT site_id, seq, {id}, 'other', at, actor_id, lot_id, unit_id, cases, reason, data, hash"
        ways = [
            "INSERT OR REPLACE INTO ledger_event " + own.format(id="'new'") + " FROM ledger_event",
            "INSERT OR REPLACE INTO ledger_event "
            + own.format(id="event_id").replace("seq", "seq + 100")
            + " FROM ledger_event",
            "INSERT OR REPLACE INTO site_head SELECT site_id, 0, event_hash, 0 FROM site_head",
        ]
    else:
        ways = ["TRUNCATE ledger_event", "TRUNCATE outbox_message", "TRUNCATE site_head"]
    for statement in ways:
        with (
            pytest.raises(DatabaseError, match=r"append-only|only moves on"),
            database.transaction() as session,
        ):
            session.execute(text(statement))
    assert broken(database, site_id) == []


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("UPDATE ledger_event SET cases = 77 WHERE seq = 5", "event 5"),
        ("UPDATE ledger_event SET reason = 'other' WHERE seq = 5", "event 5"),
        ("UPDATE ledger_event SET at = '2026-03-02 06:30:15.123456+00:00' WHERE seq = 5", "event 5"),
        ("DELETE FROM ledger_event WHERE seq = 5", "5 is missing"),
        ("DELETE FROM ledger_event WHERE seq BETWEEN 5 AND 7", "events 5 to 7 are missing before 8"),
        ("DELETE FROM ledger_event WHERE seq > 8", "the ledger ends at 8"),
        ("UPDATE site_head SET event_seq = 9", "the head says 9 events, the ledger ends at"),
        ("UPDATE site_head SET event_hash = 'x'", "the head does not match the hash of event"),
        ("DELETE FROM site_head", "the ledger has no head"),
        ("UPDATE site_head SET outbox_seq = 3", "3 messages in the outbox, there are 1 up to number 1"),
        ("DELETE FROM outbox_message", "1 messages in the outbox, there are 0 up to number 0"),
    ],
)
def test_an_edited_or_removed_row_is_found(
    database: Database, site_id: int, statement: str, found: str
) -> None:
    fill(database, site_id, 10)
    with database.transaction() as session:
        announce(session, site_id, Notice("excursion.opened", AT, {}))
    tamper(database, statement)
    (told,) = broken(database, site_id)
    assert found in told


def test_a_row_edited_together_with_its_link_is_found_by_the_next_one(
    database: Database, site_id: int
) -> None:
    """Whoever reckons the link of an edited row anew would have to do so for all that follow, and the head."""
    fill(database, site_id, 10)
    with database.transaction(readonly=True) as session:
        before, row = session.scalars(
            select(LedgerEvent).where(LedgerEvent.seq.in_((5, 6))).order_by(LedgerEvent.seq)
        )
        event = {
            **{name: getattr(row, name) for name in ("event_id", "kind", "actor_id", "lot_id", "unit_id")},
            "cases": 77,
            "reason": row.reason,
            "data": row.data,
            "at_us": round(row.at.timestamp() * 1_000_000),
        }
        forged = chain_hash(before.hash, site_id, 6, event)
    tamper(database, f"UPDATE ledger_event SET cases = 77, hash = '{forged}' WHERE seq = 6")
    (told,) = broken(database, site_id)
    assert "event 7 (unit.moved) does not match its hash: it or event 6 was altered" in told


def test_a_ledger_altered_throughout_is_not_told_row_by_row(database: Database, site_id: int) -> None:
    fill(database, site_id, 60)
    tamper(database, "UPDATE ledger_event SET cases = 1000")
    told = broken(database, site_id)
    assert len(told) == 21
    assert told[0].startswith(f"site {site_id}: event 1 ")
    # Two more rows say that the site and its first person were made.
    assert "42 more places" in told[-1]


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


def test_ids_of_events_follow_each_other_in_time() -> None:
    """The example of RFC 9562, appendix A.6 (from memory): 2022-02-22 14:22:22 -05:00 is 017F22E279B0."""
    at = datetime(2022, 2, 22, 19, 22, 22, tzinfo=UTC)
    made = [ordered_uuid(at + timedelta(milliseconds=n)) for n in range(50)]
    assert made[0].startswith("017f22e2-79b0-7")
    assert made == sorted(made)
    assert {(UUID(one).version, UUID(one).variant, str(UUID(one)) == one) for one in made} == {
        (7, RFC_4122, True)
    }
    assert len({ordered_uuid(at) for _ in range(1_000)}) == 1_000
