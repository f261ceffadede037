"""Rows of plain numbers, written past the mapper: nothing lost, nothing rounded, refused like any other write."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import BigInteger, Boolean, Column, Float, Integer, MetaData, Table, select, text
from sqlalchemy.exc import OperationalError, PendingRollbackError

from rimekeep.platform.database import Database, insert_numbers, update_rows

TABLE = Table(
    "number_row",
    MetaData(),
    Column("a", BigInteger, primary_key=True, autoincrement=False),
    Column("b", Integer, nullable=False),
    Column("c", Float, nullable=False),
    Column("d", BigInteger, nullable=False),
    Column("e", Boolean),
)
INT64 = st.integers(-(2**63), 2**63 - 1)


@pytest.fixture
def numbers(database: Database) -> Database:
    """A database with a table of numbers."""
    with database.engine.begin() as connection:
        TABLE.create(connection)
    return database


@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    rows=st.dictionaries(
        INT64,
        st.tuples(st.integers(-(2**31), 2**31 - 1), st.floats(allow_nan=False, allow_infinity=False)),
        min_size=1,
        max_size=230,
    ),
    same=INT64,
)
def test_every_number_comes_back_as_it_went(
    numbers: Database, rows: dict[int, tuple[int, float]], same: int
) -> None:
    columns = {
        "a": np.array(list(rows), dtype=np.int64),
        "b": [b for b, _ in rows.values()],
        "c": np.array([c for _, c in rows.values()]),
        "d": same,
    }
    session = numbers.open()
    try:
        insert_numbers(session, TABLE, columns)
        held = session.execute(select(TABLE.c.a, TABLE.c.b, TABLE.c.c, TABLE.c.d)).all()
    finally:
        numbers.abandon(session)
    assert {row[0]: (row[1], row[2]) for row in held} == rows
    assert {row[3] for row in held} == {same}


def test_a_key_twice_is_refused_and_nothing_stays(numbers: Database) -> None:
    columns = {"a": [*range(150), 7], "b": [1] * 151, "c": [0.5] * 151, "d": 3}
    with pytest.raises(OperationalError), numbers.transaction() as session:
        insert_numbers(session, TABLE, columns)
    with numbers.transaction(readonly=True) as session:
        assert session.execute(select(TABLE.c.a)).all() == []


def test_rows_are_changed_by_their_key(numbers: Database) -> None:
    with numbers.transaction() as session:
        insert_numbers(session, TABLE, {"a": [1, 2, 3], "b": [1, 2, 3], "c": [0.1, 0.2, 0.3], "d": 9})
        update_rows(session, TABLE, ("a", "c", "d", "e"), [(1, 1.5, 10, True), (3, -2.5, 2**62, None)])
        update_rows(session, TABLE, ("a", "b"), [])
        held = session.execute(select(TABLE).order_by(TABLE.c.a)).all()
    assert [tuple(row) for row in held] == [
        (1, 1, 1.5, 10, True),
        (2, 2, 0.2, 9, None),
        (3, 3, -2.5, 2**62, None),
    ]


def test_writers_of_one_process_take_turns_without_sleeping(numbers: Database) -> None:
    """Two hundred increments by ten threads: none is lost, and none runs into a locked database."""
    with numbers.transaction() as session:
        insert_numbers(session, TABLE, {"a": [1], "b": [0], "c": [0.0], "d": 0})

    lock = "" if numbers.settings.is_sqlite else "FOR UPDATE"

    def add(_number: int) -> None:
        with numbers.transaction() as session:
            held = session.execute(text(f"SELECT b FROM number_row WHERE a = 1 {lock}")).scalar_one()
            session.execute(text("UPDATE number_row SET b = :b WHERE a = 1"), {"b": held + 1})

    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        with ThreadPoolExecutor(10) as pool:
            list(pool.map(add, range(200)))
    finally:
        sys.setswitchinterval(interval)
    with numbers.transaction(readonly=True) as session:
        assert session.scalar(select(TABLE.c.b)) == 200


def test_a_turn_is_given_back_whatever_happens(numbers: Database) -> None:
    for _ in range(3):
        session = numbers.open()
        session.execute(text("SELECT 1"))
        numbers.abandon(session)
    with pytest.raises(OperationalError), numbers.transaction() as session:
        insert_numbers(session, TABLE, {"a": [1, 1], "b": [1, 1], "c": [0.0, 0.0], "d": 1})
    # A connection that breaks in the middle gives its turn back, too.
    with pytest.raises(PendingRollbackError), numbers.transaction() as session:
        session.connection().invalidate()
    with numbers.transaction() as session:
        session.execute(text("SELECT 1"))
    with numbers.engine.begin() as connection:
        connection.execute(text("SELECT 1"))
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(lambda: _count(numbers)).result(timeout=60) == 0


def _count(database: Database) -> int:
    with database.transaction() as session:
        return int(session.execute(text("SELECT count(*) FROM number_row")).scalar_one())
