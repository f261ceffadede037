"""Rules as stored: published limits alarm at the instants computed elsewhere, on both databases; guard, hysteresis, product."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from builders.api import Api
from builders.checks import by_id, records
from builders.cold import make_sensor, say, series
from builders.room import NOW, START, Room, add_rule, lot_of, outbox, pallet, warm
from builders.stock import make_zone
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.excursions import usecases
from rimekeep.excursions.tables import Excursion
from rimekeep.platform.database import Database, ensure_months, epoch_ms

BASE = NOW - timedelta(days=3)
# A sensor may be silent for three of its intervals; the longest interval stands for no limit at all.
LONGEST_INTERVAL_S = 86_400
# Stored rules take the more watchful policy; the other one is the core's alone.
STORED_POLICIES = {"none", "hold_to_max_gap"}


def write(session: Session, site_id: int, sensor: Sensor, said: list[tuple[float, float]]) -> None:
    """Store readings as they are: the check files' leaps are no weather, and intake might set them aside."""
    rows = [
        {
            "site_id": site_id,
            "sensor_id": sensor.id,
            "at_ms": epoch_ms(BASE + timedelta(seconds=at_s)),
            "temp_c": float(temp_c),
            "received_at_ms": epoch_ms(NOW),
        }
        for at_s, temp_c in dict(said).items()
    ]
    ensure_months(session, Reading.__table__, [row["at_ms"] for row in rows])  # type: ignore[attr-defined]
    session.execute(insert(Reading), rows)
    newest = max(row["at_ms"] for row in rows)
    session.execute(update(Sensor).where(Sensor.id == sensor.id).values(last_at_ms=newest, heard_ms=newest))  # type: ignore[arg-type]


@pytest.mark.parametrize("record", records("excursion_rules"), ids=by_id)
def test_stored_rule_alarms_when_the_allowed_time_is_used_up(
    record: dict[str, Any], api: Api, database: Database
) -> None:
    given = record["inputs"]
    (policy,) = STORED_POLICIES & record["expected"]["by_gap_policy"].keys()
    expected = record["expected"]["by_gap_policy"][policy]
    interval_s = LONGEST_INTERVAL_S if given["max_gap_s"] is None else given["max_gap_s"] // 3
    with database.transaction() as session:
        caller = api.callers["qa"]
        zone = make_zone(session, BASE, caller)
        sensor = make_sensor(session, BASE, caller, zone, interval_s=interval_s)
        write(session, caller.site_id, sensor, [tuple(pair) for pair in given["readings"]])
        rules = {
            name: usecases.add_rule(
                session,
                NOW,
                caller,
                zone_id=zone.id,
                side="above" if sign == ">=" else "below",
                limit_c=limit_c,
                kind=kind,
                allowed_s=allowed_s,
                counts_from_at=BASE,
            ).id
            for name, sign, limit_c, kind, allowed_s in given["rules"]
        }
        usecases.check_site(session, NOW, caller.site_id)
        for name, rule_id in rules.items():
            found = session.scalars(
                select(Excursion).where(Excursion.rule_id == rule_id).order_by(Excursion.alarm_at)  # type: ignore[arg-type]
            ).all()
            alarm_s = expected[name]["alarm_s"]
            if alarm_s is None:
                assert found == [], name
            else:
                assert found[0].alarm_at == BASE + timedelta(seconds=alarm_s), name


def test_hysteresis_of_a_stored_rule_keeps_one_excursion_one(room: Room, database: Database) -> None:
    def air(hours: float) -> float:
        return 8.2 if int(hours * 6) % 4 < 3 else 7.8

    with database.transaction() as session:
        plain, damped = add_rule(session, room), add_rule(session, room, hysteresis_c=0.5)
        warm(session, room, hours=0, until=START + timedelta(hours=1))
        said = series("s", START + timedelta(hours=2), START + timedelta(hours=5, minutes=50), air)
        say(session, NOW, room.site_id, [*said, *series("s", START + timedelta(hours=7), NOW, 4.0)])
        usecases.check_site(session, NOW, room.site_id)
        counts = {
            rule_id: len(session.scalars(select(Excursion).where(Excursion.rule_id == rule_id)).all())
            for rule_id in (plain, damped)
        }
        assert counts == {plain: 6, damped: 1}


def test_guard_by_the_sensor_follows_whoever_speaks(room: Room, database: Database) -> None:
    """The room's sensor is stated to be good to 0.5 °C, the spare to 0.1 °C."""
    with database.transaction() as session:
        make_sensor(session, START, room.caller, room.zone, code="spare", rank=2, error_c=0.1)
        add_rule(session, room, guard_c="sensor", limit_c=8.0)
        middle = START + timedelta(hours=5)
        say(session, NOW, room.site_id, series("s", START, middle, 7.6))
        say(session, NOW, room.site_id, series("spare", middle + timedelta(minutes=10), NOW, 7.6))
        usecases.check_site(session, NOW, room.site_id)
        row = session.scalars(select(Excursion).where(Excursion.rule_id.is_not(None))).one()  # type: ignore[union-attr]
        assert (row.started_at, row.ended_at, row.peak_c) == (START, middle + timedelta(minutes=10), 7.6)


def test_rule_of_a_product_touches_and_holds_that_product_only(room: Room, database: Database) -> None:
    with database.transaction() as session:
        mine, other = lot_of(session, room), lot_of(session, room)
        held, spared = pallet(session, room, mine), pallet(session, room, other)
        rule_id = add_rule(session, room, product_id=mine.product_id, holds_stock=True)
        warm(session, room, hours=2)
        usecases.check_site(session, NOW, room.site_id)
        for unit in (held, spared):
            session.refresh(unit)
        assert (held.qa_state, spared.qa_state) == ("held", "released")
        assert session.scalars(select(Excursion)).one().rule_id == rule_id
    assert [(data["units"], data["held_units"]) for _, data in outbox(database)] == [(1, 1)]


def test_escalation_follows_severity_unless_it_is_said(room: Room, api: Api) -> None:
    body = {"zone_id": room.zone.id, "side": "above", "limit_c": 8, "allowed_s": 1800}
    cases: list[tuple[dict[str, Any], int | None]] = [
        ({}, 1800),
        ({"severity": "warning"}, None),
        ({"escalate_after_s": None}, None),
        ({"severity": "warning", "escalate_after_s": 600}, 600),
    ]
    for change, expected in cases:
        assert api.as_("qa").made("/v1/excursion-rules", {**body, **change})["escalate_after_s"] == expected


def test_rule_is_shown_as_it_was_given(room: Room, api: Api, database: Database) -> None:
    with database.transaction() as session:
        product_id = lot_of(session, room).product_id
    body = {
        "zone_id": room.zone.id,
        "side": "below",
        "limit_c": -1,
        "allowed_s": 600,
        "hysteresis_c": 0.5,
        "guard_c": "sensor",
        "product_id": product_id,
        "escalate_after_s": 900,
    }
    shown = api.as_("qa").made("/v1/excursion-rules", body)
    assert {name: shown[name] for name in body} == body
    shown = api.as_("qa").made("/v1/excursion-rules", {**body, "guard_c": 0.25, "hysteresis_c": 0})
    assert (shown["guard_c"], shown["hysteresis_c"]) == (0.25, 0)


def test_bands_nobody_can_mean_are_refused(room: Room, api: Api) -> None:
    body = {"zone_id": room.zone.id, "side": "above", "limit_c": 8, "allowed_s": 1800}
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"hysteresis_c": -0.1}, "hysteresis_c"),
        ({"hysteresis_c": 10.5}, "hysteresis_c"),
        ({"guard_c": "the sensor"}, "guard_c"),
        ({"guard_c": 11}, "guard_c"),
        ({"escalate_after_s": 0}, "escalate_after_s"),
        ({"escalate_after_s": 10**9}, "escalate_after_s"),
    ]
    for change, field in wrong:
        problem = api.as_("qa").refused("/v1/excursion-rules", {**body, **change}, 422, "invalid-input")
        assert problem["errors"][0]["field"].startswith(field)
        assert problem["errors"][0]["mend"]
    api.as_("qa").refused("/v1/excursion-rules", {**body, "product_id": 10**9}, 404, "product-not-found")


def test_crossings_stand_beside_the_alarm_clock(room: Room, api: Api, database: Database) -> None:
    """4 °C to 15 °C in ten minutes: 8 °C is crossed after 4/11 of them, by the line between the two readings."""
    with database.transaction() as session:
        add_rule(session, room)
        began = warm(session, room, hours=2)
        key = usecases.check_site(session, NOW, room.site_id).opened[0].id
    shown = api.as_("qa").ok("GET", f"/v1/excursions/{key}")
    crossed = [(datetime.fromisoformat(one["at"]), one["is_outward"]) for one in shown["crossings"]]
    over = began + timedelta(hours=2)
    expected = [
        (began - timedelta(minutes=10) * (1 - 4 / 11), True),
        (over - timedelta(minutes=10) * (4 / 11), False),
    ]
    assert [outward for _, outward in crossed] == [True, False]
    for (at, _), (meant, _) in zip(crossed, expected, strict=True):
        assert abs(at - meant) < timedelta(milliseconds=2)
    assert datetime.fromisoformat(shown["started_at"]).astimezone(UTC) == began


def test_readings_a_check_looks_back_on_are_needed_one_by_one(room: Room, database: Database) -> None:
    from rimekeep.excursions.queries import readings_needed_from

    later = NOW + timedelta(days=40)
    with database.transaction() as session:
        assert readings_needed_from(session, room.site_id, later) == later - usecases.LOOK_BACK
        add_rule(session, room)
        began = warm(session, room, hours=99)
        usecases.check_site(session, NOW, room.site_id)
        assert readings_needed_from(session, room.site_id, later) == began
        counted = add_rule(session, room, kind="cumulative", counts_from_at=START - timedelta(days=30))
        assert readings_needed_from(session, room.site_id, later) == START - timedelta(days=30)
        usecases.switch_off_rule(session, NOW, room.caller, rule_id=counted, reason="count is done")
        assert readings_needed_from(session, room.site_id, later) == began
