"""What people are told: once that it began, once that it is over, twice at most in between; never once a reading."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.room import NOW, PLANNED_C, START, TAU_H, Room, add_rule, lot_of, outbox, pallet, profiled, warm
from builders.stock import make_zone
from rimekeep.climate import usecases as climate
from rimekeep.excursions import jobs, usecases
from rimekeep.excursions.tables import Excursion
from rimekeep.platform.database import Database
from rimekeep.platform.journal import OutboxMessage
from rimekeep.shelflife import usecases as shelflife
from rimekeep.shelflife.core.thermal import time_to_reach

OPENED, ENDED, ESCALATED = "excursion.opened", "excursion.ended", "excursion.escalated"


def running(session: Session, room: Room, **overrides: Any) -> tuple[int, datetime]:
    """An excursion that runs, opened forty minutes after the air went out; its id and when it was told."""
    add_rule(session, room, **overrides)
    told_at = START + timedelta(hours=10, minutes=40)
    warm(session, room, hours=99, until=told_at)
    return usecases.check_site(session, told_at, room.site_id).opened[0].id, told_at


def job_at(database: Database, room: Room, at: datetime) -> None:
    with database.transaction() as session:
        jobs.check(session, at, room.site_id)


def levels(database: Database) -> list[int]:
    return [data["level"] for kind, data in outbox(database) if kind == ESCALATED]


def test_unanswered_excursion_is_told_again_after_its_time_and_after_twice_of_it(
    room: Room, database: Database
) -> None:
    with database.transaction() as session:
        key, told_at = running(session, room, escalate_after_s=900)
    for minutes in (10, 14.9, 15, 20, 29, 30, 31, 600):
        job_at(database, room, told_at + timedelta(minutes=minutes))
    assert levels(database) == [1, 2]
    first = next(data for kind, data in outbox(database) if kind == ESCALATED)
    assert (first["excursion_id"], first["zone"], first["unanswered_since"]) == (
        key,
        "COLD",
        told_at.isoformat(),
    )


def test_after_a_standstill_only_the_higher_level_is_told(room: Room, database: Database) -> None:
    with database.transaction() as session:
        _, told_at = running(session, room)
    job_at(database, room, told_at + timedelta(hours=9))
    job_at(database, room, told_at + timedelta(hours=10))
    assert levels(database) == [2]


@pytest.mark.parametrize(("answered_after_min", "expected"), [(10, []), (20, [1]), (40, [1, 2])])
def test_acknowledgement_stops_it(
    room: Room, database: Database, answered_after_min: int, expected: list[int]
) -> None:
    with database.transaction() as session:
        key, told_at = running(session, room, escalate_after_s=900)
    answered = False
    for minutes in range(0, 90, 5):
        if minutes >= answered_after_min and not answered:
            answered = True
            with database.transaction() as session:
                at = told_at + timedelta(minutes=minutes)
                usecases.acknowledge(session, at, room.caller, excursion_id=key)
        job_at(database, room, told_at + timedelta(minutes=minutes))
    assert levels(database) == expected


@pytest.mark.parametrize("overrides", [{"severity": "warning"}, {"escalate_after_s": None}])
def test_rule_without_a_time_never_escalates(
    room: Room, database: Database, overrides: dict[str, Any]
) -> None:
    with database.transaction() as session:
        _, told_at = running(session, room, **overrides)
    job_at(database, room, told_at + timedelta(days=2))
    assert levels(database) == []


def test_excursion_that_is_over_still_wants_an_answer(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        warm(session, room, hours=2)
    job_at(database, room, NOW)
    job_at(database, room, NOW + timedelta(minutes=29))
    assert levels(database) == []
    job_at(database, room, NOW + timedelta(minutes=30))
    assert levels(database) == [1]


def test_end_that_was_told_is_not_told_again_and_what_goes_on_is_told_anew(
    room: Room, database: Database
) -> None:
    """The spare finds the room cool while the first sensor is silent; its backlog says that it never was."""
    with database.transaction() as session:
        make_sensor(session, START, room.caller, room.zone, code="spare", rank=2)
        key, told_at = running(session, room)
        back = told_at + timedelta(hours=2)
        say(session, back, room.site_id, series("spare", told_at + timedelta(minutes=10), back, PLANNED_C))
        done = usecases.check_site(session, back, room.site_id)
        assert [row.id for row in done.ended if row.rule_id] == [key]
        ended_at = session.get_one(Excursion, key).ended_at
        assert ended_at is not None
        say(session, back, room.site_id, series("s", told_at + timedelta(minutes=10), back, 15.0))
        (again,) = [row for row in usecases.check_site(session, back, room.site_id).opened if row.rule_id]
        assert (again.started_at, again.ended_at) == (ended_at, None)
        assert session.get_one(Excursion, key).ended_at == ended_at
        for _ in range(2):
            done = usecases.check_site(session, back + timedelta(minutes=1), room.site_id)
            assert not [row for row in [*done.opened, *done.ended] if row.rule_id]
        over = back + timedelta(hours=1)
        say(session, over, room.site_id, series("s", back + timedelta(minutes=10), over, PLANNED_C))
        usecases.check_site(session, over, room.site_id)
    told = [(kind, data["excursion_id"]) for kind, data in outbox(database) if data["kind"] == "too_warm"]
    assert told == [(OPENED, key), (ENDED, key), (OPENED, again.id), (ENDED, again.id)]


readings = st.lists(
    st.tuples(
        st.integers(0, 1),  # which sensor
        st.integers(0, 71),  # ten minutes each
        st.sampled_from([3.0, 7.9, 8.0, 9.0, 14.0]),
    ),
    max_size=30,
    unique_by=lambda one: one[:2],
)


@pytest.mark.parametrize(
    "database_url", ["postgresql", pytest.param("sqlite", marks=pytest.mark.slow)], indirect=True
)
@settings(
    max_examples=8,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    said=readings,
    checks=st.lists(st.integers(0, 30), max_size=4),
    kind=st.sampled_from(["single", "cumulative"]),
)
def test_no_flood_whatever_comes_when(
    room: Room,
    database: Database,
    said: list[tuple[int, int, float]],
    checks: list[int],
    kind: str,
) -> None:
    """Readings of two sensors in any order and as late as may be, the job run in between as often as may be."""
    marks: list[tuple[str, int]] = []
    with database.transaction() as session:
        # Each example has a room of its own; what was told before it does not count.
        before = len(session.scalars(select(OutboxMessage.seq)).all())
        zone = make_zone(session, START, room.caller, planned_c=PLANNED_C)
        codes = [make_sensor(session, START, room.caller, zone, rank=rank).code for rank in (1, 2)]
        mine = Room(room.caller, zone)
        add_rule(session, mine, kind=kind, allowed_s=1200, escalate_after_s=600, counts_from_at=START)
        pallet(session, mine, start_core_c=None)
    for place in range(len(said) + 1):
        with database.transaction() as session:
            if place < len(said):
                sensor, number, temp_c = said[place]
                at = START + timedelta(minutes=10 * number)
                climate.take_readings(session, NOW, room.site_id, [(codes[sensor], at, temp_c)])
            if place in checks or place == len(said):
                now = START + timedelta(hours=12, minutes=place)
                jobs.check(session, now, room.site_id)
                jobs.check(session, now, room.site_id)
    for minutes in (30, 31, 90):
        job_at(database, room, START + timedelta(hours=13, minutes=minutes))
    told = Counter((data["excursion_id"], kind_) for kind_, data in outbox(database)[before:])
    for (excursion_id, kind_), times in told.items():
        marks.append((kind_, times))
        assert times <= (2 if kind_ == ESCALATED else 1), (excursion_id, kind_)
    assert {one for one, _ in marks} <= {OPENED, ENDED, ESCALATED}
    with database.transaction(readonly=True) as session:
        for row in session.scalars(select(Excursion).where(Excursion.zone_id == zone.id)):  # type: ignore[arg-type]
            assert told[row.id, OPENED] == 1
            assert row.is_end_told == bool(told[row.id, ENDED])
            # Nobody was told that something is over which goes on.
            assert not (row.ended_at is None and told[row.id, ENDED])


def test_alert_says_how_long_the_beer_has(room: Room, database: Database) -> None:
    """Hours from the closed form that is held against Çengel's textbook in tests/shelflife."""
    told_at = START + timedelta(hours=10, minutes=40)
    with database.transaction() as session:
        quick = profiled(session, room, tau_h=TAU_H / 2)
        pallet(session, room, lot_of(session, room, quick))
        pallet(session, room)
        add_rule(session, room)
        warm(session, room, hours=99, until=told_at)
        shelflife.refresh_life(session, told_at, room.site_id)
    with database.transaction() as session:
        key = usecases.check_site(session, told_at, room.site_id).opened[0].id
    (_, data), *_ = outbox(database)
    core = data["core"]
    assert data["excursion_id"] == key
    assert (core["sku"], core["tau_h"], core["limit_c"], core["air_c"]) == (quick.sku, TAU_H / 2, 8.0, 15.0)
    assert 4.0 < core["core_c"] < 8.0
    expected = time_to_reach(core["core_c"], 8.0, ambient_c=15.0, tau_h=TAU_H / 2)
    assert core["hours"] == pytest.approx(expected, abs=0.02)
    assert core["passes_limit"] == f"in {core['hours']:.1f} h"


def test_for_cold_it_is_the_freezing_point_that_counts(room: Room, database: Database, api: Api) -> None:
    told_at = START + timedelta(hours=10, minutes=40)
    with database.transaction() as session:
        pallet(session, room)
        add_rule(session, room, side="below", limit_c=0.0)
        warm(session, room, hours=99, at_c=-1.0, until=told_at)
        shelflife.refresh_life(session, told_at, room.site_id)
        usecases.check_site(session, told_at, room.site_id)
    (_, data), *_ = outbox(database)
    # 11.8 °P and 4.0 % by mass: the trade formula gives -2.352 °C, which air of -1 °C never reaches.
    assert (data["core"]["limit_c"], data["core"]["hours"]) == (-2.35, None)
    assert data["core"]["passes_limit"] == "never in this air"


def test_alert_of_what_is_over_says_nothing_of_the_future(room: Room, database: Database) -> None:
    with database.transaction() as session:
        pallet(session, room)
        add_rule(session, room)
        warm(session, room, hours=2)
        shelflife.refresh_life(session, NOW, room.site_id)
        usecases.check_site(session, NOW, room.site_id)
    assert [data["core"] for _, data in outbox(database)] == [None]


def test_nothing_is_priced_again_that_has_not_changed(room: Room, database: Database) -> None:
    """Stock is listed anew when the air or the stock changed, and of what runs every quarter of an hour."""

    def listed_at(now: datetime) -> datetime | None:
        with database.transaction() as session:
            usecases.check_site(session, now, room.site_id)
            return session.get_one(Excursion, key).touched_at

    with database.transaction() as session:
        pallet(session, room)
        key, told_at = running(session, room)
    minute = timedelta(minutes=1)
    assert listed_at(told_at + minute) == told_at
    assert listed_at(told_at + 14 * minute) == told_at
    assert listed_at(told_at + 15 * minute) == told_at + 15 * minute
    with database.transaction() as session:
        pallet(session, room, received_at=told_at + 16 * minute)
    assert listed_at(told_at + 17 * minute) == told_at + 17 * minute
    with database.transaction() as session:
        said = [("s", told_at + 10 * minute, 9.0), ("s", told_at + 20 * minute, PLANNED_C)]
        say(session, told_at + 21 * minute, room.site_id, said)
    over = told_at + 21 * minute
    assert listed_at(over) == over
    for hours in (1, 5):
        assert listed_at(over + timedelta(hours=hours)) == over
    with database.transaction() as session:
        # A late reading inside it moves neither end nor peak, but what it cost.
        say(session, over + timedelta(hours=6), room.site_id, [("s", told_at + 5 * minute, 14.0)])
    assert listed_at(over + timedelta(hours=6)) == over + timedelta(hours=6)
