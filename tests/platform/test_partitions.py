"""Readings in monthly pieces on PostgreSQL: made when needed, by many at once, and never in a reader's way."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection, MetaData, Table, event, inspect, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

import rimekeep.main  # noqa: F401 - every feature's tables
from builders.postgres import PostgresServer
from rimekeep.climate.tables import Reading
from rimekeep.platform import migrate, partitions
from rimekeep.platform.database import Database, drop_months, ensure_months, insert_numbers
from rimekeep.platform.settings import load_settings

READINGS: Table = Reading.__table__  # type: ignore[attr-defined]
MARCH, APRIL = 56 * 12 + 2, 56 * 12 + 3
NEVER = "SELECT 1 FROM {table} WHERE false"
ALWAYS = "SELECT 1"


def ms(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)


@pytest.fixture
def postgresql(postgres: PostgresServer, postgres_template: str) -> Iterator[Database]:
    """A migrated PostgreSQL database."""
    name = postgres.create(postgres_template)
    opened = Database(load_settings(database_url=postgres.url(name), compute_workers=0))
    yield opened
    opened.dispose()
    postgres.drop(name)


def held(database: Database) -> set[int]:
    with database.engine.connect() as connection:
        return partitions.months_held(connection, "reading")


def store(database: Database, *instants_ms: int) -> None:
    with database.transaction() as session:
        ensure_months(session, READINGS, instants_ms)
        insert_numbers(
            session,
            READINGS,
            {
                "site_id": [1] * len(instants_ms),
                "sensor_id": [1] * len(instants_ms),
                "at_ms": list(instants_ms),
                "temp_c": [4.0] * len(instants_ms),
                "received_at_ms": [0] * len(instants_ms),
            },
        )


@given(st.lists(st.integers(ms(2000, 1, 1), ms(2100, 1, 1)), max_size=20))
def test_every_instant_lies_in_one_of_its_months(instants_ms: list[int]) -> None:
    months = partitions.months_of(instants_ms)
    assert len(months) <= len(set(instants_ms))
    for at_ms in instants_ms:
        assert sum(low <= at_ms < high for low, high in map(partitions.bounds_ms, months)) == 1


def test_months_begin_at_midnight_utc_of_the_first() -> None:
    assert partitions.bounds_ms(APRIL) == (ms(2026, 4, 1), ms(2026, 5, 1))
    assert partitions.months_of([ms(2026, 4, 1) - 1, ms(2026, 4, 1)]) == {MARCH, APRIL}
    assert partitions.name_of("reading", MARCH) == "reading_2026_03"


def test_a_reading_of_any_month_finds_its_place(database: Database) -> None:
    instants = [ms(2026, 3, 31, 23, 59), ms(2026, 4, 1), ms(2019, 1, 5), ms(2026, 3, 1)]
    store(database, *instants)
    with database.transaction(readonly=True) as session:
        rows = session.scalars(text("SELECT at_ms FROM reading ORDER BY at_ms")).all()
    assert list(rows) == sorted(instants)


def test_partitions_are_no_strange_tables(postgresql: Database) -> None:
    before = migrate.difference(postgresql.engine)
    store(postgresql, ms(2026, 3, 5))
    assert "reading_2026_03" in inspect(postgresql.engine).get_table_names()
    assert migrate.difference(postgresql.engine) == before == []


def test_an_empty_month_stays_when_the_transaction_that_wanted_it_fails(postgresql: Database) -> None:
    session = postgresql.open()
    ensure_months(session, READINGS, [ms(2026, 3, 5)])
    postgresql.abandon(session)
    assert held(postgresql) == {MARCH}


def test_many_gateways_may_want_new_months_at_once(postgres: PostgresServer, postgresql: Database) -> None:
    # Every one of them is a process of its own as far as its memory of months goes.
    others = [Database(postgresql.settings) for _ in range(6)]
    together = threading.Barrier(len(others))

    def send(database: Database, number: int) -> None:
        together.wait()
        for month in range(1, 13):
            store(database, ms(2024, month, 1 + number), ms(2025, 13 - month, 1 + number))

    with ThreadPoolExecutor(len(others)) as threads:
        done = [threads.submit(send, other, number) for number, other in enumerate(others)]
        for one in done:
            one.result(timeout=300)
    for other in others:
        other.dispose()
    assert len(held(postgresql)) == 24
    with postgresql.transaction(readonly=True) as session:
        assert session.scalar(text("SELECT count(*) FROM reading")) == 6 * 24


def test_a_new_month_waits_for_no_reader_and_no_writer(postgresql: Database) -> None:
    store(postgresql, ms(2026, 3, 5))
    with postgresql.transaction(readonly=True) as reader, postgresql.transaction() as writer:
        reader.execute(text("SELECT count(*) FROM reading"))
        insert_numbers(
            writer,
            READINGS,
            {
                "site_id": [1],
                "sensor_id": [2],
                "at_ms": [ms(2026, 3, 6)],
                "temp_c": [4.0],
                "received_at_ms": [0],
            },
        )
        # The writer itself goes on into a month nobody has made yet, its own locks held. Neither of the two lets
        # go before this has returned: to wait for them would end in the database's refusal to wait any longer.
        ensure_months(writer, READINGS, [ms(2026, 4, 6)])
        assert held(postgresql) == {MARCH, APRIL}
        reader.execute(text("SELECT count(*) FROM reading"))


def test_months_that_are_known_cost_no_question(postgresql: Database) -> None:
    store(postgresql, ms(2026, 3, 5))
    with postgresql.transaction() as session:
        session.connection()
        asked: list[str] = []
        event.listen(postgresql.engine, "checkout", lambda *_: asked.append("a connection"))
        event.listen(postgresql.engine, "before_cursor_execute", lambda *_: asked.append("a question"))
        begun = time.thread_time()
        for _ in range(1000):
            ensure_months(session, READINGS, [ms(2026, 3, 5), ms(2026, 3, 9)])
        assert (time.thread_time() - begun) / 1000 < 0.001
        assert asked == []


def test_only_months_nobody_needs_are_dropped(postgresql: Database) -> None:
    store(postgresql, ms(2026, 2, 5), ms(2026, 3, 5), ms(2026, 4, 5))
    with postgresql.transaction() as session:
        assert drop_months(session, READINGS, ms(2026, 4, 1), unless=ALWAYS) == 0
    with postgresql.transaction() as session:
        wanted = "SELECT 1 FROM {table} WHERE at_ms >= " + str(ms(2026, 3, 1))
        assert drop_months(session, READINGS, ms(2026, 4, 1), unless=wanted) == 1
    assert held(postgresql) == {MARCH, APRIL}


def test_a_dropped_month_can_be_written_again(postgresql: Database) -> None:
    store(postgresql, ms(2026, 3, 5))
    with postgresql.transaction() as session:
        assert drop_months(session, READINGS, ms(2026, 4, 1), unless=NEVER) == 1
    store(postgresql, ms(2026, 3, 7))
    assert held(postgresql) == {MARCH}


def test_a_drop_gives_way_to_a_reader_and_succeeds_later(postgresql: Database) -> None:
    store(postgresql, ms(2026, 3, 5))

    def drop(session: Session) -> None:
        # Whatever else may wait for ten minutes, a drop does not.
        session.execute(text("SET LOCAL lock_timeout = '600s'"))
        drop_months(session, READINGS, ms(2026, 4, 1), unless=NEVER)

    with postgresql.transaction(readonly=True) as reader:
        reader.execute(text("SELECT count(*) FROM reading"))
        begun = time.monotonic()
        with pytest.raises(OperationalError), postgresql.transaction() as session:
            drop(session)
        assert time.monotonic() - begun < 60
        assert reader.scalar(text("SELECT count(*) FROM reading")) == 1
    with postgresql.transaction() as session:
        assert drop_months(session, READINGS, ms(2026, 4, 1), unless=NEVER) == 1


def plain(connection: Connection, instants_ms: list[int]) -> None:
    """The table as it was before there were months."""
    connection.execute(text("DROP TABLE reading"))
    connection.execute(
        text(
            "CREATE TABLE reading (site_id BIGINT NOT NULL, sensor_id BIGINT NOT NULL, at_ms BIGINT NOT NULL,"
            " temp_c DOUBLE PRECISION NOT NULL, received_at_ms BIGINT NOT NULL,"
            " CONSTRAINT pk_reading PRIMARY KEY (site_id, sensor_id, at_ms),"
            " CONSTRAINT fk_reading__site_id FOREIGN KEY (site_id) REFERENCES site (id),"
            " CONSTRAINT fk_reading__sensor_id FOREIGN KEY (sensor_id) REFERENCES sensor (id))"
        )
    )
    connection.execute(text("ALTER TABLE reading DISABLE TRIGGER ALL"))
    for at_ms in instants_ms:
        connection.execute(text(f"INSERT INTO reading VALUES (1, 7, {at_ms}, {at_ms % 97 / 8}, 5)"))


def rows(database: Database) -> list[tuple[object, ...]]:
    with database.engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text("SELECT * FROM reading ORDER BY at_ms"))]


def test_a_plain_table_becomes_months_with_all_its_rows_and_goes_back(postgresql: Database) -> None:
    instants = [ms(2026, 1, 31, 23, 59, 59) + 999, ms(2026, 2, 1), ms(2024, 2, 29), ms(2026, 3, 1)]
    instants += [ms(2025, 7, 1) + number * 600_000 for number in range(500)]
    with postgresql.engine.begin() as connection:
        plain(connection, instants)
    before = rows(postgresql)
    with postgresql.engine.begin() as connection:
        partitions.split_by_month(connection, "reading", "at_ms")
        partitions.split_by_month(connection, "reading", "at_ms")
    assert rows(postgresql) == before
    assert held(postgresql) == partitions.months_of(instants)
    assert migrate.difference(postgresql.engine) == []
    store(postgresql, ms(2026, 5, 1))
    with postgresql.engine.begin() as connection:
        partitions.join_months(connection, "reading")
        partitions.join_months(connection, "reading")
    assert [row[2] for row in rows(postgresql)] == sorted([*instants, ms(2026, 5, 1)])
    assert held(postgresql) == set()
    with postgresql.engine.connect() as connection:
        table = Table("reading", MetaData(), autoload_with=connection)
    assert [column.name for column in table.primary_key] == ["site_id", "sensor_id", "at_ms"]
    assert table.primary_key.name == "pk_reading"


def test_the_months_ahead_are_there_before_the_first_reading(postgresql: Database) -> None:
    from rimekeep.climate.usecases import prepare_months

    now = datetime(2026, 1, 30, tzinfo=UTC)
    with postgresql.transaction() as session:
        prepare_months(session, now)
    assert held(postgresql) >= partitions.months_of([ms(2026, 1, 30), ms(2026, 2, 20), ms(2026, 3, 20)])
