"""Sensors that cannot be relied on: silent from the first day, contradicting each other, not calibrated in time."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.room import NOW, START, Room, outbox, pallet
from rimekeep.climate import usecases as climate
from rimekeep.climate.tables import Sensor
from rimekeep.excursions import usecases
from rimekeep.excursions.tables import Excursion
from rimekeep.platform.database import Database


def of_kind(session: Session, kind: str) -> list[Excursion]:
    return list(
        session.scalars(select(Excursion).where(Excursion.kind == kind).order_by(Excursion.started_at))
    )  # type: ignore[arg-type]


def sensor_id(session: Session, code: str) -> int:
    return session.scalars(select(Sensor.id).where(Sensor.code == code)).one()


def test_sensor_that_never_spoke_is_missed_after_three_intervals(room: Room, database: Database) -> None:
    with database.transaction() as session:
        on_time = START + timedelta(minutes=30)
        assert not usecases.check_site(session, on_time, room.site_id).opened
        row = usecases.check_site(session, on_time + timedelta(seconds=1), room.site_id).opened[0]
        assert (row.kind, row.started_at, row.alarm_at) == ("silent", START, on_time)
        assert not usecases.check_site(session, on_time + timedelta(days=1), room.site_id).opened
        spoke = START + timedelta(days=1, hours=1)
        say(session, spoke, room.site_id, [("s", spoke, 4.0)])
        assert [one.id for one in usecases.check_site(session, spoke, room.site_id).ended] == [row.id]
    assert [kind for kind, _ in outbox(database)] == ["excursion.opened", "excursion.ended"]


def contradict(session: Session, room: Room, *, apart_c: float, until: datetime = NOW) -> datetime:
    """Two sensors good to 0.5 °C each; from ten hours after the start on one reads so much warmer."""
    make_sensor(session, START, room.caller, room.zone, code="t", rank=2)
    began = START + timedelta(hours=10)
    say(session, until, room.site_id, series("s", START, until, 4.0))
    say(session, until, room.site_id, series("t", START, began - timedelta(minutes=10), 4.0))
    say(session, until, room.site_id, series("t", began, until, 4.0 + apart_c))
    return began


def test_two_sensors_that_disagree_are_one_excursion_until_they_agree(room: Room, database: Database) -> None:
    middle = START + timedelta(hours=20)
    with database.transaction() as session:
        began = contradict(session, room, apart_c=2.5, until=middle)
        assert not usecases.check_site(session, began + timedelta(minutes=50), room.site_id).opened
        (row,) = usecases.check_site(session, middle, room.site_id).opened
        codes = [session.get_one(Sensor, key).code for key in (row.sensor_id, row.other_sensor_id)]
        assert (row.kind, row.severity, codes) == ("disagree", "warning", ["s", "t"])
        assert (row.started_at, row.alarm_at, row.ended_at) == (began, began + timedelta(hours=1), None)
        # Two errors of 0.5 °C and the margin of 1 °C.
        assert (row.limit_c, row.peak_c) == (2.0, 2.5)
        for code in ("s", "t"):
            say(session, NOW, room.site_id, series(code, middle + timedelta(minutes=10), NOW, 4.0))
        done = usecases.check_site(session, NOW, room.site_id)
        assert [one.ended_at for one in done.ended] == [middle + timedelta(minutes=10)]
        assert not done.opened
    told = outbox(database)
    assert [kind for kind, _ in told] == ["excursion.opened", "excursion.ended"]
    assert {(data["sensor"], data["other_sensor"]) for _, data in told} == {("s", "t")}


def test_distance_that_errors_and_margin_explain_is_no_excursion(room: Room, database: Database) -> None:
    with database.transaction() as session:
        contradict(session, room, apart_c=2.0)
        assert not usecases.check_site(session, NOW, room.site_id).opened


def test_pair_of_which_one_is_switched_off_is_asked_no_more(room: Room, database: Database) -> None:
    with database.transaction() as session:
        contradict(session, room, apart_c=3.0)
        (row,) = usecases.check_site(session, NOW, room.site_id).opened
        climate.switch_off_sensor(
            session, NOW, room.caller, sensor_id=sensor_id(session, "t"), reason="broken"
        )
        done = usecases.check_site(session, NOW, room.site_id)
        assert [one.id for one in done.ended] == [row.id]
        assert not usecases.check_site(session, NOW, room.site_id).opened


def test_offset_found_in_calibration_settles_a_disagreement_from_its_date_on(
    room: Room, database: Database
) -> None:
    with database.transaction() as session:
        began = contradict(session, room, apart_c=3.0)
        (row,) = usecases.check_site(session, NOW, room.site_id).opened
        from_at = began + timedelta(hours=4)
        climate.calibrate_sensor(
            session,
            NOW,
            room.caller,
            sensor_id=sensor_id(session, "t"),
            offset_c=-3.0,
            applies_from=from_at,
            calibrated_on=NOW.date(),
            reason="ice bath",
        )
        done = usecases.check_site(session, NOW, room.site_id)
        assert [(one.id, one.ended_at) for one in done.ended] == [(row.id, from_at)]


def test_three_sensors_of_which_one_is_off_are_two_pairs(room: Room, database: Database) -> None:
    with database.transaction() as session:
        contradict(session, room, apart_c=3.0)
        make_sensor(session, START, room.caller, room.zone, code="u", rank=3)
        say(session, NOW, room.site_id, series("u", START, NOW, 4.0))
        assert len(usecases.check_site(session, NOW, room.site_id).opened) == 2
        assert not usecases.check_site(session, NOW, room.site_id).opened


def test_sensors_of_two_rooms_are_not_compared(room: Room, database: Database, api: Api) -> None:
    from builders.stock import make_zone

    with database.transaction() as session:
        other = make_zone(session, START, room.caller)
        make_sensor(session, START, room.caller, other, code="t")
        say(session, NOW, room.site_id, [*series("s", START, NOW, 4.0), *series("t", START, NOW, 12.0)])
        assert not usecases.check_site(session, NOW, room.site_id).opened


def test_overdue_calibration_is_one_warning_that_ends_when_it_is_done(room: Room, database: Database) -> None:
    due_on = date(2026, 3, 20)
    on_the_day, after = (
        datetime.fromisoformat("2026-03-20T23:59:00Z"),
        datetime.fromisoformat("2026-03-21T00:00:00Z"),
    )
    with database.transaction() as session:
        pallet(session, room)
        sensor = make_sensor(session, START, room.caller, room.zone, code="c", calibration_due_on=due_on)

    def check(now: datetime) -> list[str]:
        with database.transaction() as session:
            say(session, now, room.site_id, [("s", now, 4.0), ("c", now, 4.0)])
            done = usecases.check_site(session, now, room.site_id)
            return [f"{what} {row.kind}" for what in ("opened", "ended") for row in getattr(done, what)]

    assert check(on_the_day) == []
    assert check(after) == ["opened calibration"]
    assert check(after + timedelta(days=1)) == []
    with database.transaction() as session:
        (row,) = of_kind(session, "calibration")
        assert (row.started_at, row.severity, row.touched_at) == (after, "warning", None)
        climate.calibrate_sensor(
            session,
            after + timedelta(days=1),
            room.caller,
            sensor_id=sensor.id,
            offset_c=0.1,
            applies_from=after + timedelta(days=1),
            calibrated_on=date(2026, 3, 22),
            due_on=date(2026, 4, 22),
            reason="yearly",
        )
    assert check(after + timedelta(days=2)) == ["ended calibration"]
    assert check(datetime.fromisoformat("2026-04-22T12:00:00Z")) == []
    # The next day it was due on is the next excursion.
    assert check(datetime.fromisoformat("2026-04-23T00:00:00Z")) == ["opened calibration"]


@pytest.mark.parametrize("zone_name", ["America/Los_Angeles"])
def test_the_day_a_calibration_is_due_is_the_site_s_own(api: Api, database: Database, zone_name: str) -> None:
    made = api.made("/v1/sites", {"code": "WEST", "name": "West store (invented)", "time_zone": zone_name})
    west = api.as_("admin")
    west.tokens = {"admin": made["token"]}
    zone = west.made("/v1/zones", {"code": "W1", "name": "room", "kind": "store", "planned_c": 4})
    body = {"code": "w", "zone_id": zone["id"], "interval_s": 86_400, "calibration_due_on": "2026-03-15"}
    west.made("/v1/sensors", body)
    # 06:00 UTC on the 16th is 23:00 on the 15th there: the day counts whole.
    assert west.made("/v1/excursions/check")["opened"] == []
    with database.transaction() as session:
        done = usecases.check_site(session, NOW + timedelta(hours=1), made["site"]["id"])
        assert [row.kind for row in done.opened] == ["calibration"]
