"""Excursions found, kept, ended and told: each once, in one transaction with the alert."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.grounds import Clock
from builders.room import NOW, PLANNED_C, START, TAU_H, Room, add_rule, outbox, pallet, warm
from builders.stock import make_unit, make_zone
from rimekeep.climate import usecases as climate
from rimekeep.climate.tables import Sensor
from rimekeep.excursions import jobs, queries, routes, usecases
from rimekeep.excursions.tables import Excursion
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import usecases as stock
from rimekeep.stock.tables import Unit, UnitContent


def test_one_excursion_and_one_alert_however_often_the_check_runs(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        pallet(session, room)
        began = warm(session, room, hours=2)
    for number in range(3):
        with database.transaction() as session:
            done = usecases.check_site(session, NOW, room.site_id)
            assert len(done.opened) == (1 if number == 0 else 0)
    with database.transaction(readonly=True) as session:
        row = session.scalars(select(Excursion)).one()
    assert (row.kind, row.peak_c, row.limit_c) == ("too_warm", 15.0, 8.0)
    assert (row.started_at, row.alarm_at, row.ended_at) == (
        began,
        began + timedelta(minutes=30),
        began + timedelta(hours=2),
    )
    assert [kind for kind, _ in outbox(database)] == ["excursion.opened"]


def test_running_excursion_is_followed_and_its_end_told_once(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        unit = pallet(session, room)
        began = warm(session, room, hours=2, until=START + timedelta(hours=11))
    middle = START + timedelta(hours=11)
    with database.transaction() as session:
        assert usecases.check_site(session, middle, room.site_id).opened[0].ended_at is None
        late = pallet(session, room, received_at=middle + timedelta(minutes=5))
    with database.transaction() as session:
        say(session, NOW, room.site_id, [("s", middle + timedelta(minutes=10), 19.0)])
        row = usecases.check_site(session, middle + timedelta(minutes=10), room.site_id).running[0]
        assert row.peak_c == 19.0
        touched = {one.unit_id: one for one in queries.touched(session, room.site_id, row.id)}
        assert touched.keys() == {unit.id, late.id}
        assert touched[late.id].from_at == middle + timedelta(minutes=5)
        assert touched[unit.id].from_at == began
    with database.transaction() as session:
        say(session, NOW, room.site_id, series("s", middle + timedelta(minutes=20), NOW, PLANNED_C))
        assert len(usecases.check_site(session, NOW, room.site_id).ended) == 1
        assert not usecases.check_site(session, NOW, room.site_id).ended
    assert [kind for kind, _ in outbox(database)] == ["excursion.opened", "excursion.ended"]
    assert outbox(database)[1][1]["ended_at"] == (middle + timedelta(minutes=20)).isoformat()


def test_short_or_refuted_warmth_is_no_excursion(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room, allowed_s=7201)
        warm(session, room, hours=2)
        assert not usecases.check_site(session, NOW, room.site_id).opened
        assert not session.scalars(select(Excursion)).all()


def test_late_readings_lengthen_the_same_excursion(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        began = warm(session, room, hours=2)
        usecases.check_site(session, NOW, room.site_id)
    with database.transaction() as session:
        # A reading between two, twenty seconds before the first warm one, arrives two days late.
        say(session, NOW, room.site_id, [("s", began - timedelta(seconds=20), 16.0)])
        done = usecases.check_site(session, NOW, room.site_id)
        assert not done.opened
        row = session.scalars(select(Excursion)).one()
        assert (row.started_at, row.peak_c) == (began - timedelta(seconds=20), 16.0)
    assert len(outbox(database)) == 1


def test_look_back_that_begins_inside_a_long_excursion_does_not_open_it_again(
    room: Room, database: Database
) -> None:
    later = NOW + usecases.LOOK_BACK + timedelta(days=3)
    with database.transaction() as session:
        add_rule(session, room)
        began = warm(session, room, hours=2, until=START + timedelta(hours=11))
        usecases.check_site(session, NOW, room.site_id)
        say(
            session,
            later,
            room.site_id,
            series("s", began + timedelta(hours=1, minutes=10), later, 12.0, step_s=1200),
        )
        done = usecases.check_site(session, later, room.site_id)
        # The two-hour silence of the first check is not an end either: the readings came, late.
        assert [row.started_at for row in done.running] == [began]
        assert done.running[0].alarm_at == began + timedelta(minutes=30)
        assert not done.opened
        found = session.scalars(select(Excursion).where(Excursion.rule_id.is_not(None))).all()  # type: ignore[union-attr]
        assert len(found) == 1


def replaced_sensor(session: Session, room: Room, *, days: int) -> datetime:
    """
    A sensor whose last word was that it is too warm, and its successor, which found the room as planned.

    Returns an instant by which all of that lies so many days back.
    """
    said = series("s", START, START + timedelta(hours=10), lambda hours: 15.0 if hours >= 9 else PLANNED_C)
    say(session, NOW, room.site_id, said)
    sensor_id = session.scalars(select(Sensor.id).where(Sensor.code == "s")).one()
    climate.switch_off_sensor(session, NOW, room.caller, sensor_id=sensor_id, reason="dead, replaced")
    make_sensor(session, NOW, room.caller, room.zone, code="s2")
    later = START + timedelta(days=days)
    say(session, later, room.site_id, series("s2", START + timedelta(hours=14), later, PLANNED_C))
    return later


def test_failure_older_than_the_look_back_is_not_opened_again(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        later = replaced_sensor(session, room, days=1)
        assert len(usecases.check_site(session, later, room.site_id).opened) == 1
        end = START + timedelta(days=20)
        say(session, end, room.site_id, series("s2", later, end, PLANNED_C))
    # The dead sensor's last reading, outside, is the one before the look-back for ever.
    for days in (13, 14, 15, 20):
        with database.transaction() as session:
            assert not usecases.check_site(session, START + timedelta(days=days), room.site_id).opened
    assert [kind for kind, _ in outbox(database)] == ["excursion.opened"]


def test_long_count_of_one_rule_does_not_lengthen_the_look_back_of_another(
    room: Room, database: Database
) -> None:
    with database.transaction() as session:
        later = replaced_sensor(session, room, days=20)
        add_rule(session, room)
        add_rule(session, room, kind="cumulative", allowed_s=86_400, counts_from_at=START)
    for _ in range(2):
        with database.transaction() as session:
            assert not usecases.check_site(session, later, room.site_id).opened
    assert outbox(database) == []


def test_readings_that_fill_the_silence_between_two_excursions_make_them_one(
    room: Room, database: Database
) -> None:
    def later(minutes: int) -> datetime:
        return START + timedelta(minutes=minutes)

    with database.transaction() as session:
        add_rule(session, room)
        say(session, NOW, room.site_id, series("s", START, later(60), 15.0))
        say(session, NOW, room.site_id, series("s", later(120), later(180), 15.0))
        first, second = usecases.check_site(session, later(180), room.site_id).opened
        assert (first.ended_at, second.ended_at) == (later(90), None)
    with database.transaction() as session:
        say(session, NOW, room.site_id, series("s", later(70), later(110), 15.0))
        done = usecases.check_site(session, later(185), room.site_id)
        assert [row.id for row in done.running] == [first.id]
        assert (done.opened, [row.id for row in done.ended]) == ([], [second.id])
    with database.transaction() as session:
        say(session, NOW, room.site_id, [("s", later(190), PLANNED_C)])
        done = usecases.check_site(session, later(190), room.site_id)
        assert [(row.id, row.started_at, row.ended_at) for row in done.ended] == [
            (first.id, START, later(190))
        ]
        merged = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "excursion.merged")).one()
        assert merged.data == {"id": second.id, "into": first.id}
    told = [(kind, data["excursion_id"]) for kind, data in outbox(database)]
    opened, ended = "excursion.opened", "excursion.ended"
    assert told == [(opened, first.id), (opened, second.id), (ended, second.id), (ended, first.id)]


def test_life_lost_agrees_with_quadrature(room: Room, database: Database) -> None:
    """Core in closed form for stepped air, rate integrated by scipy's adaptive quadrature; readings are ten minutes apart, so the air ramps."""
    with database.transaction() as session:
        add_rule(session, room)
        pallet(session, room)
        began = warm(session, room, hours=3)
        row = usecases.check_site(session, NOW, room.site_id).opened[0]
        lost = queries.touched(session, room.site_id, row.id)[0].life_lost_days
    ramp_h = 1 / 6
    # Within the window [0, 3 h]; before it the last ten minutes ramp from 4 to 15 °C and are the past.

    def rate(core_c: float) -> float:
        return float(np.exp(-101.8e3 / 8.314462618 * (1 / (core_c + 273.15) - 1 / 293.15)) / 120)

    def follow(t: float, start: float, core: float, low: float, high: float, length: float) -> float:
        slope = (high - low) / length
        steady = low + slope * (t - start - TAU_H)
        return steady + (core - low + slope * TAU_H) * np.exp(-(t - start) / TAU_H)

    entering = follow(0.0, -ramp_h, 4.0, 4.0, 15.0, ramp_h)
    pieces = [(0.0, 3.0 - ramp_h, 15.0, 15.0), (3.0 - ramp_h, 3.0, 15.0, 4.0), (3.0, 600.0, 4.0, 4.0)]
    spent, core = 0.0, entering
    for piece in pieces:
        start, end, low, high = piece

        def along(t: float, piece: tuple[float, ...] = piece, core: float = core) -> float:
            return rate(follow(t, piece[0], core, piece[2], piece[3], piece[1] - piece[0]))

        spent += quad(along, start, end, epsabs=1e-13, limit=500, points=[start + 20] if end > 100 else None)[
            0
        ]
        core = follow(end, start, core, low, high, end - start)
    meant = quad(
        lambda t: rate(follow(t, 0.0, entering, 4.0, 4.0, 1.0)), 0, 600, epsabs=1e-13, limit=500, points=[20]
    )[0]
    assert lost == pytest.approx((spent - meant) / 24 / rate(4.0), rel=1e-7)
    assert row.started_at == began


def test_product_without_a_profile_is_listed_without_a_price(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        make_unit(session, START, room.caller, zone=room.zone, received_at=START)
        warm(session, room, hours=2)
        row = usecases.check_site(session, NOW, room.site_id).opened[0]
        found = queries.touched(session, room.site_id, row.id)
    assert [(one.cases, one.life_lost_days) for one in found] == [(48, None)]


def test_rule_holds_the_stock_that_was_there_and_nothing_else(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room, holds_stock=True)
        there = pallet(session, room)
        elsewhere = make_unit(session, START, room.caller, received_at=START)
        began = warm(session, room, hours=2)
        stock.move_unit(
            session,
            NOW,
            room.caller,
            unit_id=there.id,
            zone_id=elsewhere.zone_id,
            at=began + timedelta(hours=1),
        )
        came_after = pallet(session, room, received_at=began + timedelta(hours=3))
        usecases.check_site(session, NOW, room.site_id)
        for unit in (there, elsewhere, came_after):
            session.refresh(unit)
        assert (there.qa_state, elsewhere.qa_state, came_after.qa_state) == ("held", "released", "released")
        assert "COLD" in there.qa_reason
    assert outbox(database)[0][1]["held_units"] == 1
    with database.transaction(readonly=True) as session:
        kinds = list(session.scalars(select(LedgerEvent.kind)))
    assert (kinds.count("unit.held"), kinds.count("excursion.opened")) == (1, 1)


def test_what_qa_released_is_not_held_again_while_it_runs(room: Room, database: Database) -> None:
    middle = START + timedelta(hours=12)
    with database.transaction() as session:
        add_rule(session, room, holds_stock=True)
        unit = pallet(session, room)
        warm(session, room, hours=5, until=middle)
        usecases.check_site(session, middle, room.site_id)
        session.refresh(unit)
        stock.release_unit(session, middle, room.caller, unit_id=unit.id, reason="probed, core at 5 °C")
        content_id = session.scalars(select(UnitContent.id).where(UnitContent.unit_id == unit.id)).one()
        built = stock.build_unit(session, middle, room.caller, zone_id=room.zone.id)
        stock.reserve_cases(session, content_id, 5)
        stock.take_cases(session, middle, room.caller, content_id=content_id, cases=5, to_unit_id=built.id)
        row = usecases.check_site(session, middle + timedelta(minutes=5), room.site_id).running[0]
        for one in (unit, built):
            session.refresh(one)
        assert (unit.qa_state, built.qa_state) == ("released", "released")
        assert sum(one.cases for one in queries.touched(session, room.site_id, row.id)) == 48


def test_excursion_and_alert_are_rolled_back_together(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room, holds_stock=True)
        unit = pallet(session, room)
        warm(session, room, hours=2)

    def check_and_fail() -> None:
        with database.transaction() as session:
            assert usecases.check_site(session, NOW, room.site_id).opened
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power"):
        check_and_fail()
    with database.transaction(readonly=True) as session:
        assert session.scalar(select(func.count()).select_from(Excursion)) == 0
        kept = session.get(Unit, unit.id)
        assert kept is not None
        assert kept.qa_state == "released"
    assert outbox(database) == []
    with database.transaction() as session:
        usecases.check_site(session, NOW, room.site_id)
    assert len(outbox(database)) == 1


def test_checks_at_once_open_it_once(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        pallet(session, room)
        warm(session, room, hours=2)

    def check(_number: int) -> int:
        with database.transaction() as session:
            return len(usecases.check_site(session, NOW, room.site_id).opened)

    with ThreadPoolExecutor(4) as pool:
        assert sum(pool.map(check, range(4))) == 1
    assert len(outbox(database)) == 1


def test_of_two_who_take_an_excursion_on_at_once_one_is_told_of_the_other(
    room: Room, database: Database, api: Api
) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        warm(session, room, hours=2)
        excursion_id = usecases.check_site(session, NOW, room.site_id).opened[0].id
    address = f"/v1/excursions/{excursion_id}/acknowledge"
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: api.as_("qa").post(address, {}).status_code, range(4)))
    assert sorted(answers) == [200, 409, 409, 409]


def test_silent_sensor_is_an_excursion_of_its_own_until_it_talks(room: Room, database: Database) -> None:
    with database.transaction() as session:
        say(session, NOW, room.site_id, [("s", START, 4.0)])
        on_time, late = START + timedelta(minutes=30), START + timedelta(minutes=30, seconds=1)
        assert not usecases.check_site(session, on_time, room.site_id).opened
        row = usecases.check_site(session, late, room.site_id).opened[0]
        assert (row.kind, row.started_at, row.alarm_at) == ("silent", START, on_time)
        assert not usecases.check_site(session, late + timedelta(hours=1), room.site_id).opened
        spoke = START + timedelta(hours=3)
        say(session, spoke, room.site_id, [("s", spoke, 4.0)])
        ended = usecases.check_site(session, spoke + timedelta(minutes=1), room.site_id).ended
        assert [one.ended_at for one in ended] == [spoke]
        again = usecases.check_site(session, spoke + timedelta(hours=2), room.site_id)
        assert [one.started_at for one in again.opened] == [spoke]
    told = outbox(database)
    assert [kind for kind, _ in told] == ["excursion.opened", "excursion.ended", "excursion.opened"]
    assert {data["sensor"] for _, data in told} == {"s"}


def test_sensor_switched_off_is_not_missed(room: Room, database: Database) -> None:
    with database.transaction() as session:
        say(session, NOW, room.site_id, [("s", START, 4.0)])
        row = usecases.check_site(session, NOW, room.site_id).opened[0]
        climate.switch_off_sensor(
            session, NOW, room.caller, sensor_id=row.sensor_id or 0, reason="taken down"
        )
        done = usecases.check_site(session, NOW, room.site_id)
        assert (len(done.ended), len(done.opened)) == (1, 0)
        assert not usecases.check_site(session, NOW + timedelta(days=1), room.site_id).opened


def test_silence_breaks_a_run_and_adds_nothing_beyond_three_intervals(room: Room, database: Database) -> None:
    """Convention of our own: the last reading before a silence counts for three intervals, 30 minutes here."""
    for allowed_s, opened in ((1800, 1), (1801, 0)):
        with database.transaction() as session:
            rule_id = add_rule(session, room, allowed_s=allowed_s)
            said = [("s", START, 12.0), ("s", START + timedelta(hours=5), 4.0), ("s", NOW, 4.0)]
            say(session, NOW, room.site_id, said)
            usecases.check_site(session, NOW, room.site_id)
            found = session.scalars(select(Excursion).where(Excursion.rule_id == rule_id)).all()
            assert len(found) == opened
            assert all(row.ended_at == START + timedelta(minutes=30) for row in found)


def test_spare_sensor_speaks_where_the_first_is_silent(room: Room, database: Database) -> None:
    with database.transaction() as session:
        rule_id = add_rule(session, room)
        make_sensor(session, START, room.caller, room.zone, code="spare", rank=2)
        say(session, NOW, room.site_id, series("s", START, START + timedelta(hours=5), 4.0))
        say(session, NOW, room.site_id, series("spare", START, NOW, 9.0))
        usecases.check_site(session, NOW, room.site_id)
        row = session.scalars(select(Excursion).where(Excursion.rule_id == rule_id)).one()
        assert row.started_at == START + timedelta(hours=5, minutes=10)


def test_cumulative_count_runs_until_qa_starts_a_new_one(room: Room, database: Database) -> None:
    with database.transaction() as session:
        rule_id = add_rule(session, room, kind="cumulative", allowed_s=3600)
        at = START
        for _ in range(4):
            # Twenty minutes outside each time: two readings of ten.
            say(session, NOW, room.site_id, [("s", at, 9.0), ("s", at + timedelta(minutes=10), 9.0)])
            say(
                session,
                NOW,
                room.site_id,
                series("s", at + timedelta(minutes=20), at + timedelta(hours=2), 4.0),
            )
            at += timedelta(hours=3)
        say(session, NOW, room.site_id, [("s", NOW, 4.0)])
        row = usecases.check_site(session, NOW, room.site_id).opened[0]
        assert (row.started_at, row.ended_at) == (START, None)
        # The hour is used up with the third visit outside.
        assert row.alarm_at == START + timedelta(hours=6, minutes=20)
        assert usecases.check_site(session, NOW, room.site_id).running == [row]
        usecases.start_new_count(session, NOW, room.caller, rule_id=rule_id, reason="door mended")
        assert row.ended_at == NOW
        assert not usecases.check_site(session, NOW + timedelta(minutes=10), room.site_id).opened
    assert [kind for kind, _ in outbox(database)] == ["excursion.opened", "excursion.ended"]


def test_too_cold_is_watched_too(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room, side="below", limit_c=-0.5, severity="warning")
        pallet(session, room)
        warm(session, room, hours=2, at_c=-3.0)
        row = usecases.check_site(session, NOW, room.site_id).opened[0]
        assert (row.kind, row.severity, row.peak_c) == ("too_cold", "warning", -3.0)
        # Cold costs no life.
        assert queries.touched(session, room.site_id, row.id)[0].life_lost_days == 0


def test_check_of_one_room_leaves_others_alone(room: Room, database: Database) -> None:
    with database.transaction() as session:
        other = make_zone(session, START, room.caller)
        add_rule(session, room)
        warm(session, room, hours=2)
        assert not usecases.check_zone(session, NOW, room.site_id, other.id).opened
        assert len(usecases.check_zone(session, NOW, room.site_id, room.zone.id).opened) == 1


def test_excursion_told_and_taken_on_over_http(
    room: Room, database: Database, api: Api, clock: Clock
) -> None:
    qa = api.as_("qa")
    body = {"zone_id": room.zone.id, "side": "above", "limit_c": 8, "allowed_s": 1800, "holds_stock": True}
    rule = qa.made("/v1/excursion-rules", body)
    with database.transaction() as session:
        unit = pallet(session, room)
        warm(session, room, hours=2)
    checked = qa.made("/v1/excursions/check")
    assert qa.made("/v1/excursions/check") == {"opened": [], "ended": [], "running": []}
    key = checked["opened"][0]
    shown = api.as_("picker").ok("GET", f"/v1/excursions/{key}")
    assert (shown["zone_code"], shown["rule_id"], shown["rule_name"]) == (
        "COLD",
        rule["id"],
        "COLD above 8 °C",
    )
    assert [(one["sscc"], one["unit_qa_state"]) for one in shown["touched"]] == [(unit.sscc, "held")]
    assert shown["touched"][0]["life_lost_days"] > 0
    taken = qa.made(f"/v1/excursions/{key}/acknowledge", {"note": "door was open"})
    assert taken["acknowledged_at"] == "2026-03-16T06:00:00Z"
    qa.refused(f"/v1/excursions/{key}/acknowledge", {}, 409, "acknowledged")
    assert [row["id"] for row in api.ok("GET", "/v1/excursions", params={"is_open": False})["items"]] == [key]
    assert api.ok("GET", "/v1/excursions", params={"is_open": True, "zone_id": room.zone.id})["items"] == []
    assert (
        qa.made(f"/v1/excursion-rules/{rule['id']}/switch-off", {"reason": "new limits"})["is_active"]
        is False
    )
    qa.refused(f"/v1/excursion-rules/{rule['id']}/restart-count", {"reason": "why not"}, 409, "no-count")
    assert api.as_("picker").post("/v1/excursions/check").status_code == 403
    api.tokens["other"] = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    assert api.as_("other").get(f"/v1/excursions/{key}").status_code == 404


def test_stock_touched_is_shown_worst_first_and_listed_in_pages(
    room: Room, database: Database, api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        # The later a pallet came in, the less the warm hours cost it.
        came = [START + timedelta(hours=hours) for hours in (11.5, 1, 11)]
        late, early, middle = (pallet(session, room, received_at=at).sscc for at in came)
        warm(session, room, hours=2)
        key = usecases.check_site(session, NOW, room.site_id).opened[0].id
    monkeypatch.setattr(routes, "MOST_TOUCHED", 2)
    shown = api.as_("qa").ok("GET", f"/v1/excursions/{key}")
    assert [one["sscc"] for one in shown["touched"]] == [early, middle]
    assert (shown["touched_contents"], shown["touched_cases"]) == (3, 144)
    address = f"/v1/excursions/{key}/touched"
    first = api.ok("GET", address, params={"limit": 2})
    rest = api.ok("GET", address, params={"limit": 2, "cursor": first["next_cursor"]})
    assert rest["next_cursor"] is None
    assert [one["sscc"] for one in first["items"] + rest["items"]] == [late, early, middle]
    assert shown["touched"][0] in first["items"]
    api.tokens["other"] = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    assert api.as_("other").get(address).status_code == 404


def test_rules_nobody_can_mean_are_refused(room: Room, api: Api) -> None:
    body = {"zone_id": room.zone.id, "side": "above", "limit_c": 8, "allowed_s": 1800}
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"side": "beside"}, "side"),
        ({"limit_c": 1e9}, "limit_c"),
        ({"limit_c": "warm"}, "limit_c"),
        ({"kind": "twice"}, "kind"),
        ({"allowed_s": -1}, "allowed_s"),
        ({"severity": "shrug"}, "severity"),
        ({"counts_from_at": "2027-01-01T00:00:00Z"}, "counts_from_at"),
        ({"counts_from_at": "0001-01-01T00:00:00Z"}, "counts_from_at"),
        ({"colour": "red"}, "colour"),
    ]
    for change, field in wrong:
        problem = api.as_("qa").refused("/v1/excursion-rules", {**body, **change}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
        assert problem["errors"][0]["mend"]
    api.as_("qa").refused("/v1/excursion-rules", {**body, "zone_id": 10**9}, 404, "zone-not-found")
    assert api.as_("lead").post("/v1/excursion-rules", body).status_code == 403


def test_job_checks_a_site(room: Room, database: Database) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        warm(session, room, hours=2)
        jobs.check(session, NOW, room.site_id)
        assert session.scalar(select(func.count()).select_from(Excursion)) == 1
