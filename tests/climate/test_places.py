"""Sensors move and are calibrated, in the past too: each room has the air that was measured in it, offset applied."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.grounds import Clock
from builders.stock import make_zone
from rimekeep.climate import queries, usecases
from rimekeep.climate.tables import Reading, ReadingBooks, Sensor
from rimekeep.errors import Invalid
from rimekeep.platform.database import Database, epoch_ms
from rimekeep.stock.tables import Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
BEGIN = NOW - timedelta(hours=10)
Rooms = tuple[Zone, Zone]


def hour(number: float) -> datetime:
    return BEGIN + timedelta(hours=number)


@pytest.fixture
def rooms(api: Api, database: Database) -> Rooms:
    """Two rooms; the sensor ``s`` stands in the first and says the hour, every hour, as its temperature."""
    qa = api.callers["qa"]
    with database.transaction() as session:
        first, second = make_zone(session, NOW, qa), make_zone(session, NOW, qa)
        make_sensor(session, NOW, qa, first, code="s", interval_s=3600)
        say(session, NOW, qa.site_id, series("s", BEGIN, NOW, lambda hours: round(hours), step_s=3600))
        usecases.forget_air_changes(session, [one.id for one in queries.air_changes(session, qa.site_id)])
    return first, second


def sensor_id(database: Database) -> int:
    with database.transaction(readonly=True) as session:
        return session.scalars(select(Sensor.id).where(Sensor.code == "s")).one()


def air(api: Api, database: Database, rooms: Rooms, from_at: datetime = BEGIN) -> list[list[float]]:
    with database.transaction(readonly=True) as session:
        heard = queries.joined_by_zone(session, api.callers["qa"].site_id, from_at, NOW)
        return [
            [round(temp, 6) for temp in heard[room.id].temp_c] if room.id in heard else [] for room in rooms
        ]


def move(api: Api, database: Database, room: Zone, at: datetime | None) -> dict[str, Any]:
    body = {"zone_id": room.id, "at": at.isoformat() if at else None, "reason": "hung up again elsewhere"}
    moved: dict[str, Any] = api.as_("lead").made(f"/v1/sensors/{sensor_id(database)}/move", body)
    return moved


def calibrate(api: Api, database: Database, offset_c: float, at: datetime, **more: Any) -> dict[str, Any]:
    body = {
        "offset_c": offset_c,
        "applies_from": at.isoformat(),
        "calibrated_on": "2026-03-15",
        "due_on": "2027-03-15",
        "reason": "certificate 17 (invented)",
        **more,
    }
    made: dict[str, Any] = api.as_("qa").made(f"/v1/sensors/{sensor_id(database)}/calibrations", body)
    return made


def changed(api: Api, database: Database) -> dict[int, tuple[datetime, datetime]]:
    with database.transaction() as session:
        found = queries.air_changes(session, api.callers["qa"].site_id)
        usecases.forget_air_changes(session, [one.id for one in found])
    return {
        one.zone_id: tuple(datetime.fromtimestamp(ms / 1000, UTC) for ms in (one.from_ms, one.until_ms))
        for one in found
    }  # type: ignore[misc]


def test_move_in_the_past_gives_each_room_its_own_readings(
    api: Api, database: Database, rooms: Rooms
) -> None:
    moved = move(api, database, rooms[1], hour(6.5))
    assert moved["zone_id"] == rooms[1].id
    assert air(api, database, rooms) == [[0, 1, 2, 3, 4, 5, 6], [7, 8, 9, 10]]
    # The edges of a window are readings of the room, too.
    assert air(api, database, rooms, hour(8.5)) == [[6], [8, 9, 10]]


def test_move_in_the_past_leaves_word_for_both_rooms_from_then_on(
    api: Api, database: Database, rooms: Rooms
) -> None:
    move(api, database, rooms[1], hour(6.5))
    told = changed(api, database)
    assert set(told) == {room.id for room in rooms}
    for from_at, until_at in told.values():
        assert from_at <= hour(6.5)
        assert until_at >= NOW


def test_earlier_move_said_later_ends_where_the_next_began(
    api: Api, database: Database, rooms: Rooms
) -> None:
    move(api, database, rooms[1], hour(6.5))
    # It had been there once before, for two hours.
    move(api, database, rooms[1], hour(1.5))
    moved = move(api, database, rooms[0], hour(3.5))
    assert moved["zone_id"] == rooms[1].id  # where it stands now is not touched by the past
    assert air(api, database, rooms) == [[0, 1, 4, 5, 6], [2, 3, 7, 8, 9, 10]]
    assert api.ok("GET", "/v1/air")["items"][1]["temp_c"] == 10


def test_mistaken_move_is_taken_back_at_its_own_instant(api: Api, database: Database, rooms: Rooms) -> None:
    before = air(api, database, rooms)
    move(api, database, rooms[1], hour(6.5))
    assert move(api, database, rooms[0], hour(6.5))["zone_id"] == rooms[0].id
    assert air(api, database, rooms) == before
    said = api.ok("GET", f"/v1/sensors/{sensor_id(database)}/places")["items"]
    assert [one["zone_id"] for one in said] == [rooms[0].id, rooms[1].id, rooms[0].id]
    assert [one["reason"] for one in said][1:] == ["hung up again elsewhere"] * 2


def test_new_readings_belong_to_where_the_sensor_stands(api: Api, database: Database, rooms: Rooms) -> None:
    move(api, database, rooms[1], None)
    changed(api, database)
    qa = api.callers["qa"]
    with database.transaction() as session:
        say(session, NOW + timedelta(hours=1), qa.site_id, [("s", NOW + timedelta(hours=1), 20.0)])
    assert set(changed(api, database)) == {rooms[1].id}
    shown = {one["zone_id"]: one for one in api.ok("GET", "/v1/air")["items"]}
    assert shown[rooms[0].id]["temp_c"] is None
    assert shown[rooms[1].id]["temp_c"] == 20.0


def test_late_reading_goes_to_the_room_it_was_taken_in(api: Api, database: Database, rooms: Rooms) -> None:
    move(api, database, rooms[1], hour(6.5))
    changed(api, database)
    qa = api.callers["qa"]
    with database.transaction() as session:
        say(session, NOW, qa.site_id, [("s", hour(2.5), 99 / 4)])
    assert set(changed(api, database)) == {rooms[0].id}
    assert 99 / 4 in air(api, database, rooms)[0]


@pytest.mark.parametrize(
    ("at", "status", "code"),
    [
        (NOW + timedelta(minutes=1), 422, "invalid-input"),
        (datetime(1999, 1, 1, tzinfo=UTC), 422, "invalid-input"),
    ],
)
def test_move_at_no_such_time_is_refused(
    api: Api, database: Database, rooms: Rooms, at: datetime, status: int, code: str
) -> None:
    body = {"zone_id": rooms[1].id, "at": at.isoformat(), "reason": "test"}
    problem = api.as_("lead").refused(f"/v1/sensors/{sensor_id(database)}/move", body, status, code)
    assert problem["errors"][0]["field"] == "at"


def test_move_before_the_sensor_was_put_up_is_refused(api: Api, database: Database, rooms: Rooms) -> None:
    body = {"code": "t", "zone_id": rooms[0].id, "interval_s": 600, "stands_since": hour(5).isoformat()}
    made = api.as_("lead").made("/v1/sensors", body)
    before = {"zone_id": rooms[1].id, "at": hour(4).isoformat(), "reason": "test"}
    problem = api.as_("lead").refused(f"/v1/sensors/{made['id']}/move", before, 422, "invalid-input")
    assert "first put up" in problem["errors"][0]["detail"]
    later = {**body, "code": "u", "stands_since": (NOW + timedelta(hours=1)).isoformat()}
    api.as_("lead").refused("/v1/sensors", later, 422, "invalid-input")


def test_readings_from_before_a_sensor_was_put_up_are_no_rooms_air(
    api: Api, database: Database, rooms: Rooms
) -> None:
    body = {"code": "t", "zone_id": rooms[1].id, "interval_s": 3600, "stands_since": hour(5).isoformat()}
    api.as_("lead").made("/v1/sensors", body)
    qa = api.callers["qa"]
    with database.transaction() as session:
        say(session, NOW, qa.site_id, [("t", hour(4), 30.0), ("t", hour(5), 3.0), ("t", hour(6), 3.5)])
    assert air(api, database, rooms)[1] == [3.0, 3.5]


def test_move_to_where_it_stands_is_a_conflict(api: Api, database: Database, rooms: Rooms) -> None:
    body = {"zone_id": rooms[0].id, "reason": "test"}
    api.as_("lead").refused(f"/v1/sensors/{sensor_id(database)}/move", body, 409, "sensor-stands-there")


def test_offset_holds_from_its_date_on_until_the_next(api: Api, database: Database, rooms: Rooms) -> None:
    made = calibrate(api, database, -0.5, hour(3))
    assert datetime.fromisoformat(made["applies_from"]) == hour(3)
    calibrate(api, database, 1.0, hour(8))
    assert air(api, database, rooms)[0] == [0, 1, 2, 2.5, 3.5, 4.5, 5.5, 6.5, 9, 10, 11]
    assert api.ok("GET", "/v1/air")["items"][0]["temp_c"] == 11
    # What the sensor said stays as it was said.
    with database.transaction(readonly=True) as session:
        raw = session.scalars(select(Reading.temp_c).order_by(Reading.at_ms)).all()
    assert raw == [float(number) for number in range(11)]


def test_offset_leaves_word_of_the_stretch_it_changes(api: Api, database: Database, rooms: Rooms) -> None:
    calibrate(api, database, 1.0, hour(8))
    changed(api, database)
    calibrate(api, database, -0.5, hour(3.5))
    assert changed(api, database) == {rooms[0].id: (hour(3), hour(8))}
    # The same offset once more, as after most calibrations, changes nothing.
    calibrate(api, database, -0.5, hour(5))
    assert changed(api, database) == {}


def test_later_record_of_one_instant_holds(api: Api, database: Database, rooms: Rooms) -> None:
    calibrate(api, database, -0.5, hour(3))
    calibrate(api, database, 0.25, hour(3))
    assert air(api, database, rooms)[0][3:5] == [3.25, 4.25]
    said = api.ok("GET", f"/v1/sensors/{sensor_id(database)}/calibrations")["items"]
    assert [one["offset_c"] for one in said] == [-0.5, 0.25]
    assert said[0]["reason"] == "certificate 17 (invented)"


def test_offset_follows_the_sensor_into_another_room(api: Api, database: Database, rooms: Rooms) -> None:
    calibrate(api, database, 0.5, hour(3))
    move(api, database, rooms[1], hour(6.5))
    assert air(api, database, rooms) == [[0, 1, 2, 3.5, 4.5, 5.5, 6.5], [7.5, 8.5, 9.5, 10.5]]
    changed(api, database)
    calibrate(api, database, 0.0, hour(5))
    assert set(changed(api, database)) == {room.id for room in rooms}


def test_due_date_follows_the_newest_calibration(api: Api, database: Database, rooms: Rooms) -> None:
    def due_on() -> str | None:
        shown: str | None = api.ok("GET", "/v1/sensors")["items"][0]["calibration_due_on"]
        return shown

    calibrate(api, database, 0.1, hour(3), calibrated_on="2026-03-01", due_on="2026-09-01")
    assert due_on() == "2026-09-01"
    # An older certificate found in a drawer does not bring the date back.
    calibrate(api, database, 0.1, hour(1), calibrated_on="2025-03-01", due_on="2025-09-01")
    assert due_on() == "2026-09-01"
    calibrate(api, database, 0.1, hour(9), calibrated_on="2026-03-14", due_on=None)
    assert due_on() is None


def test_sensors_due_are_those_in_use_and_due_by_the_day(api: Api, database: Database, rooms: Rooms) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        for code, due in (("a", 20), ("b", 10), ("c", 25), ("off", 1)):
            made = make_sensor(session, NOW, qa, rooms[0], code=code, calibration_due_on=date(2026, 3, due))
            if code == "off":
                usecases.switch_off_sensor(session, NOW, qa, sensor_id=made.id, reason="test")
        codes = [
            [one.code for one in queries.sensors_due(session, qa.site_id, date(2026, 3, day))]
            for day in (9, 10, 20)
        ]
    assert codes == [[], ["b"], ["b", "a"]]


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"offset_c": 10.1}, "offset_c"),
        ({"offset_c": -10.1}, "offset_c"),
        ({"applies_from": "2026-03-16T06:00:01Z"}, "applies_from"),
        ({"applies_from": "1999-01-01T00:00:00Z"}, "applies_from"),
        ({"applies_from": "2026-03-16T06:00:00"}, "applies_from"),
        ({"calibrated_on": "2026-03-18"}, "calibrated_on"),
        ({"due_on": "2026-03-15"}, "due_on"),
        ({"reason": ""}, "reason"),
    ],
)
def test_calibration_that_cannot_be_is_refused(
    api: Api, database: Database, rooms: Rooms, more: dict[str, Any], field: str
) -> None:
    body = {
        "offset_c": 0.1,
        "applies_from": hour(3).isoformat(),
        "calibrated_on": "2026-03-15",
        "reason": "test",
        **more,
    }
    problem = api.as_("qa").refused(
        f"/v1/sensors/{sensor_id(database)}/calibrations", body, 422, "invalid-input"
    )
    assert problem["errors"][0]["field"] == field


@pytest.mark.parametrize("offset_c", [float("nan"), float("inf"), 11.0])
def test_offset_is_checked_below_http_too(
    api: Api, database: Database, rooms: Rooms, offset_c: float
) -> None:
    with pytest.raises(Invalid, match="offset_c"), database.transaction() as session:
        usecases.calibrate_sensor(
            session,
            NOW,
            api.callers["qa"],
            sensor_id=sensor_id(database),
            offset_c=offset_c,
            applies_from=hour(3),
            calibrated_on=NOW.date(),
            reason="test",
        )


def test_nothing_is_changed_before_the_books_were_closed(
    api: Api, database: Database, rooms: Rooms, clock: Clock
) -> None:
    # What is younger than a day is never thinned.
    clock.now = NOW + timedelta(days=2)
    qa = api.callers["qa"]
    with database.transaction() as session:
        session.add(ReadingBooks(site_id=qa.site_id, closed_until_ms=epoch_ms(hour(5))))
    key = sensor_id(database)
    at = hour(4.5).isoformat()
    offset = {"offset_c": 0.1, "applies_from": at, "calibrated_on": "2026-03-15", "reason": "test"}
    api.as_("qa").refused(f"/v1/sensors/{key}/calibrations", offset, 409, "books-closed")
    place = {"zone_id": rooms[1].id, "at": at, "reason": "test"}
    api.as_("qa").refused(f"/v1/sensors/{key}/move", place, 409, "books-closed")
    sent = {
        "readings": [
            {"sensor": "s", "at": at, "temp": 3},
            {"sensor": "s", "at": hour(5.5).isoformat(), "temp": 3},
        ]
    }
    answer = api.as_("gateway").made("/v1/readings", sent)
    assert (answer["stored"], [fault["outcome"] for fault in answer["faults"]]) == (1, ["books closed"])
    wish = {"corrections": [{"sensor": "s", "at": hour(4).isoformat(), "temp": 3}], "reason": "test"}
    (told,) = api.as_("qa").made("/v1/readings/corrections", wish)["items"]
    assert told["outcome"] == "books closed"


PLACES = st.lists(st.tuples(st.integers(0, 20), st.integers(0, 2)), max_size=6)
OFFSETS = st.lists(st.tuples(st.integers(0, 20), st.integers(-20, 20)), max_size=6)


@pytest.mark.parametrize(
    "database_url", ["postgresql", pytest.param("sqlite", marks=pytest.mark.slow)], indirect=True
)
@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(places=PLACES, offsets=OFFSETS)
def test_rooms_hear_each_reading_once_with_the_offset_of_its_time(
    api: Api, database: Database, places: list[tuple[int, int]], offsets: list[tuple[int, int]]
) -> None:
    """Against a plain loop over the readings: the last said of the latest step at or before each."""
    qa = api.callers["qa"]
    session = database.open()
    try:
        zones = [make_zone(session, NOW, qa) for _ in range(3)]
        made = make_sensor(session, NOW, qa, zones[0], interval_s=1800)
        say(session, NOW, qa.site_id, series(made.code, BEGIN, NOW, 4.0, step_s=1800))
        stood = {-1: 0}
        for step, place in places:
            before = max(known for known in stood if known <= step)
            if stood[before] == place:
                continue
            stood[step] = place
            at = hour(step / 2)
            usecases.move_sensor(
                session, NOW, qa, sensor_id=made.id, zone_id=zones[place].id, at=at, reason="test"
            )
        added = {-1: 0}
        for step, tenths in offsets:
            added[step] = tenths
            usecases.calibrate_sensor(
                session,
                NOW,
                qa,
                sensor_id=made.id,
                offset_c=tenths / 10,
                applies_from=hour(step / 2),
                calibrated_on=NOW.date(),
                reason="test",
            )
        wanted: list[list[tuple[float, float]]] = [[], [], []]
        for number in range(21):
            room = stood[max(known for known in stood if known <= number)]
            offset = added[max(known for known in added if known <= number)] / 10
            wanted[room].append((hour(number / 2).timestamp(), 4.0 + offset))
        heard = queries.joined_by_zone(session, qa.site_id, BEGIN, NOW, zone_ids=[zone.id for zone in zones])
        for zone, expected in zip(zones, wanted, strict=True):
            joined = heard.get(zone.id)
            got = (
                [] if joined is None else list(zip(joined.at_s.tolist(), joined.temp_c.tolist(), strict=True))
            )
            assert got == expected
    finally:
        database.abandon(session)
