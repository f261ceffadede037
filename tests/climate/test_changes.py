"""Every change of what a room's air was leaves word of the whole stretch that changed, and of no room that did not."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say
from builders.stock import make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.climate import queries, usecases
from rimekeep.climate.core.corrections import Wish
from rimekeep.climate.tables import Sensor
from rimekeep.errors import RimekeepError
from rimekeep.platform.database import Database

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
BEGIN = NOW - timedelta(hours=12)


def minute(number: int) -> datetime:
    return BEGIN + timedelta(minutes=number)


def changes(session: Session, site_id: int) -> list[tuple[int, datetime, datetime]]:
    """What waits, as (room, from, until); taken away as it is read."""
    found = queries.air_changes(session, site_id)
    usecases.forget_air_changes(session, [one.id for one in found])
    assert queries.air_changes(session, site_id) == []
    return [
        (
            one.zone_id,
            datetime.fromtimestamp(one.from_ms / 1000, UTC),
            datetime.fromtimestamp(one.until_ms / 1000, UTC),
        )
        for one in found
    ]


def test_new_readings_reach_from_the_reading_before_to_the_last(api: Api, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, qa)
        make_sensor(session, NOW, qa, zone, code="s")
        say(session, NOW, qa.site_id, [("s", minute(0), 3.0)])
        assert changes(session, qa.site_id) == [(zone.id, minute(0), minute(0))]
        say(session, NOW, qa.site_id, [("s", minute(20), 3.0), ("s", minute(10), 3.0)])
        assert changes(session, qa.site_id) == [(zone.id, minute(0), minute(20))]


def test_late_readings_reach_from_the_one_before_to_the_one_after(api: Api, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, qa)
        make_sensor(session, NOW, qa, zone, code="s")
        say(session, NOW, qa.site_id, [("s", minute(10 * number), 3.0) for number in (0, 1, 4, 5)])
        changes(session, qa.site_id)
        say(session, NOW, qa.site_id, [("s", minute(20), 9.0), ("s", minute(30), 3.0)])
        assert changes(session, qa.site_id) == [(zone.id, minute(10), minute(40))]


def test_what_changes_nothing_leaves_no_word(api: Api, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        make_sensor(session, NOW, qa, make_zone(session, NOW, qa), code="s")
        say(session, NOW, qa.site_id, [("s", minute(0), 3.0)])
        changes(session, qa.site_id)
        refused = [("s", minute(0), 4.0), ("nobody", minute(5), 3.0), ("s", NOW + timedelta(days=1), 3.0)]
        usecases.take_readings(session, NOW, qa.site_id, [("s", minute(0), 3.0), *refused])
        assert changes(session, qa.site_id) == []


def test_a_batch_for_many_sensors_leaves_one_row_a_room(api: Api, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        rooms = [make_zone(session, NOW, qa) for _ in range(2)]
        for number in range(6):
            make_sensor(session, NOW, qa, rooms[number % 2], code=f"s{number}")
        said = [(f"s{number}", minute(10 * step), 3.0) for number in range(6) for step in range(5)]
        say(session, NOW, qa.site_id, said)
        assert sorted(one[0] for one in changes(session, qa.site_id)) == [room.id for room in rooms]


def test_switching_off_leaves_word(api: Api, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, qa)
        made = make_sensor(session, NOW, qa, zone, code="s")
        say(session, NOW, qa.site_id, [("s", minute(0), 3.0)])
        changes(session, qa.site_id)
        usecases.switch_off_sensor(session, NOW, qa, sensor_id=made.id, reason="fell down")
        ((zone_id, from_at, until_at),) = changes(session, qa.site_id)
    assert zone_id == zone.id
    assert from_at <= minute(0)
    assert until_at == NOW


def test_a_lone_sensor_that_leaves_takes_the_air_since_its_last_reading_along(
    api: Api, database: Database
) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        zone, other = make_zone(session, NOW, qa), make_zone(session, NOW, qa)
        made = make_sensor(session, NOW, qa, zone, code="s")
        say(session, NOW, qa.site_id, [("s", minute(10 * number), 3.0) for number in range(3)])
        changes(session, qa.site_id)
        usecases.move_sensor(
            session, NOW, qa, sensor_id=made.id, zone_id=other.id, at=minute(15), reason="test"
        )
        told = {zone_id: (from_at, until_at) for zone_id, from_at, until_at in changes(session, qa.site_id)}
    assert told == {zone.id: (minute(10), NOW), other.id: (minute(15), NOW)}


def test_rows_of_a_rolled_back_batch_are_not_there(api: Api, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        make_sensor(session, NOW, qa, make_zone(session, NOW, qa), code="s")
    session = database.open()
    say(session, NOW, qa.site_id, [("s", minute(0), 3.0)])
    assert len(queries.air_changes(session, qa.site_id)) == 1
    database.abandon(session)
    with database.transaction(readonly=True) as session:
        assert queries.air_changes(session, qa.site_id) == []


def test_gateways_of_one_room_do_not_wait_for_each_other(api: Api, database: Database) -> None:
    """Both transactions are open at once on PostgreSQL; on SQLite writers take turns whatever they write."""
    qa = api.callers["qa"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, qa)
        for code in ("a", "b"):
            make_sensor(session, NOW, qa, zone, code=code)
    if database.settings.is_sqlite:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda code: _send(database, qa, code), ("a", "b")))
    else:
        with database.transaction() as first, database.transaction() as second:
            second.connection().exec_driver_sql("SET LOCAL lock_timeout = '500ms'")
            say(first, NOW, qa.site_id, [("a", minute(0), 3.0)])
            say(second, NOW, qa.site_id, [("b", minute(0), 3.0)])
    with database.transaction(readonly=True) as session:
        assert [one.zone_id for one in queries.air_changes(session, qa.site_id)] == [zone.id] * 2


def _send(database: Database, caller: Caller, code: str) -> None:
    with database.transaction() as session:
        say(session, NOW, caller.site_id, [(code, minute(0), 3.0)])


@dataclass
class Room:
    """Two rooms, three sensors, and what their air was last."""

    session: Session
    caller: Caller
    zones: list[int]
    sensors: list[Sensor]
    before: dict[int, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)

    def look(self) -> dict[int, tuple[np.ndarray, np.ndarray]]:
        heard = queries.joined_by_zone(
            self.session, self.caller.site_id, minute(-60), NOW, zone_ids=self.zones
        )
        return {zone_id: (joined.at_s, joined.temp_c) for zone_id, joined in heard.items()}


GRID_S = np.array([minute(number).timestamp() for number in range(-5, 725, 5)], dtype=np.float64)
NUMBERS = st.integers(0, 70)
ACTIONS = st.one_of(
    st.tuples(
        st.just("say"),
        st.integers(0, 2),
        st.lists(st.tuples(NUMBERS, st.integers(0, 12)), min_size=1, max_size=6),
    ),
    st.tuples(st.just("correct"), st.integers(0, 2), NUMBERS, st.one_of(st.none(), st.integers(0, 12))),
    st.tuples(st.just("move"), st.integers(0, 2), st.integers(0, 1), NUMBERS),
    st.tuples(st.just("calibrate"), st.integers(0, 2), st.integers(-3, 3), NUMBERS),
)


def act(room: Room, action: tuple) -> None:  # type: ignore[type-arg]
    session, caller = room.session, room.caller
    what, number, *facts = action
    sensor = room.sensors[number]
    if what == "say":
        said = [(sensor.code, minute(10 * at), float(temp)) for at, temp in facts[0]]
        usecases.take_readings(session, NOW, caller.site_id, said)
    elif what == "correct":
        wish = Wish(sensor.code, minute(10 * facts[0]), None if facts[1] is None else float(facts[1]))
        usecases.correct_readings(session, NOW, caller, [wish], reason="test")
    elif what == "move":
        zone_id, at = room.zones[facts[0]], minute(10 * facts[1] + 5)
        usecases.move_sensor(session, NOW, caller, sensor_id=sensor.id, zone_id=zone_id, at=at, reason="test")
    else:
        usecases.calibrate_sensor(
            session,
            NOW,
            caller,
            sensor_id=sensor.id,
            offset_c=facts[0] / 10,
            applies_from=minute(10 * facts[1] + 5),
            calibrated_on=NOW.date(),
            reason="test",
        )


@pytest.mark.parametrize(
    "database_url", ["postgresql", pytest.param("sqlite", marks=pytest.mark.slow)], indirect=True
)
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.lists(ACTIONS, min_size=1, max_size=12))
def test_no_air_changes_outside_the_stretches_told(api: Api, database: Database, actions: list) -> None:  # type: ignore[type-arg]
    """Readings shuffled and late, corrections, moves, offsets; two sensors stand in for each other."""
    qa = api.callers["qa"]
    session = database.open()
    try:
        zones = [make_zone(session, NOW, qa).id for _ in range(2)]
        # Ten-minute readings may stand alone for half an hour, so silences of both kinds come about.
        sensors = [
            usecases.register_sensor(
                session,
                NOW,
                qa,
                code=f"zone{zones[0]}-{number}",
                zone_id=zones[number // 2],
                interval_s=600,
                rank=1 + number % 2,
            )
            for number in range(3)
        ]
        room = Room(session, qa, zones, sensors)
        for action in actions:
            before = room.look()
            try:
                with session.begin_nested():
                    act(room, action)
            except RimekeepError:
                continue
            after = room.look()
            told = queries.air_changes(session, qa.site_id)
            usecases.forget_air_changes(session, [one.id for one in told])
            for zone_id in zones:
                check(zone_id, before.get(zone_id), after.get(zone_id), told)
    finally:
        database.abandon(session)


def check(zone_id: int, before, after, told) -> None:  # type: ignore[no-untyped-def]
    """Compare the air between the readings there are; before the first and after the last nothing is known."""
    if before is None or after is None:
        assert before is None or any(one.zone_id == zone_id for one in told)
        return
    first, last = max(before[0][0], after[0][0]), min(before[0][-1], after[0][-1])
    known = (first <= GRID_S) & (last >= GRID_S)
    grid = GRID_S[known]
    differs = np.interp(grid, *before) != np.interp(grid, *after)
    for one in told:
        if one.zone_id == zone_id:
            differs &= (grid * 1000 < one.from_ms) | (grid * 1000 > one.until_ms)
    wrong = grid[differs]
    assert wrong.size == 0, [datetime.fromtimestamp(at_s, UTC) for at_s in wrong]
    # Where the last reading is another one now, the change is told up to it.
    for ends in ((before[0][-1], after[0][-1]), (before[0][0], after[0][0])):
        if ends[0] != ends[1]:
            moved = [
                one
                for one in told
                if one.zone_id == zone_id
                and one.from_ms <= min(ends) * 1000 + 1
                and one.until_ms >= max(ends) * 1000 - 1
            ]
            assert moved, ends
