"""Long columns of numbers read into arrays: the same rows as anybody would pick by hand, on both databases."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Table, text
from sqlalchemy.exc import OperationalError

from rimekeep.climate.tables import Reading
from rimekeep.platform.courses import Ask, Shelf
from rimekeep.platform.database import Database, courses, ensure_months, insert_numbers

READINGS: Table = Reading.__table__  # type: ignore[attr-defined]
ZERO = round(datetime(2026, 1, 25, tzinfo=UTC).timestamp() * 1000)
DAY = 86_400_000
# Rows further than two days from the window are found by another statement on PostgreSQL.
SHELF = Shelf("reading", "site_id", "sensor_id", "at_ms", ("temp_c", "received_at_ms"), near=2 * DAY)
days = st.floats(0, 40).map(lambda day: ZERO + round(day * DAY))


@st.composite
def questions(draw: st.DrawFn) -> tuple[dict[int, list[int]], list[Ask], int, int]:
    held = {key: sorted(draw(st.sets(days, max_size=12))) for key in (1, 2, 3)}
    asked = []
    for _ in range(draw(st.integers(1, 4))):
        earliest, latest = sorted((draw(days), draw(days)))
        asked.append(Ask(draw(st.integers(1, 4)), earliest, latest))
    first, last = sorted((draw(days), draw(days)))
    if draw(st.booleans()):
        last = first - 1  # an empty window still has its neighbours
    return held, asked, first, last


def by_hand(held: list[int], ask: Ask, first: int, last: int) -> list[int]:
    counted = [at for at in held if ask.earliest <= at <= ask.latest]
    before = [at for at in counted if at < first][-1:]
    after = [at for at in counted if at > last][:1]
    return before + [at for at in counted if first <= at <= last] + after


@settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    deadline=None,
)
@given(questions())
def test_rows_of_a_window_come_with_their_neighbours_and_no_others(
    database: Database, question: tuple[dict[int, list[int]], list[Ask], int, int]
) -> None:
    held, asked, first, last = question
    with database.transaction() as session:
        session.execute(text("DELETE FROM reading"))
        for key, instants in held.items():
            ensure_months(session, READINGS, instants)
            columns = {"at_ms": instants, "temp_c": [at % 1000 / 7 for at in instants]}
            if instants:
                same = {"site_id": 1, "sensor_id": key, "received_at_ms": key + 40}
                insert_numbers(session, READINGS, {**same, **columns})
        found = courses(session, SHELF, 1, asked, first, last)
        nobodys = courses(session, SHELF, 2, asked, first, last)
    for ask, table in zip(asked, found, strict=True):
        instants = by_hand(held.get(ask.key, []), ask, first, last)
        assert table.shape == (3, len(instants))
        assert table[0].tolist() == instants
        assert table[1].tolist() == [at % 1000 / 7 for at in instants]
        assert set(table[2].tolist()) <= {ask.key + 40}
    assert all(table.shape == (3, 0) for table in nobodys)


def test_nothing_asked_is_nothing_found(database: Database) -> None:
    with database.transaction(readonly=True) as session:
        assert courses(session, SHELF, 1, [], 0, 1) == []


def test_numbers_come_back_to_the_last_bit(database: Database) -> None:
    values = [float(np.nextafter(-18.3, 0)), 1 / 3, 17.777777777777779, 5e-324]
    instants = [ZERO + number for number in range(len(values))]
    with database.transaction() as session:
        ensure_months(session, READINGS, instants)
        same = {"site_id": 1, "sensor_id": 1, "received_at_ms": 0}
        insert_numbers(session, READINGS, {**same, "at_ms": instants, "temp_c": values})
        [table] = courses(session, SHELF, 1, [Ask(1, 0, 2**62)], ZERO, ZERO + DAY)
    assert table[1].tobytes() == np.array(values).tobytes()


def test_failure_of_the_database_is_told_like_any_other(database: Database) -> None:
    missing = Shelf("no_such_table", "site_id", "sensor_id", "at_ms", ("temp_c",), near=1)
    with pytest.raises(OperationalError), database.transaction() as session:
        courses(session, missing, 1, [Ask(1, 0, 1)], 0, 1)
