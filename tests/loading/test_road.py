"""The forecast of a trip through the API, and plans that are refused for it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import update

from builders.api import Api
from builders.grounds import Clock
from builders.journeys import ROUTES, STORE_C, TAU_H, Journey
from builders.loads import DAY, Day, few, instance, make_day, truck_of
from rimekeep.orders.tables import Customer
from rimekeep.platform.database import Database
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock.tables import Product

DECK = few(instance("deck_s1_basic"))
# Plate figures of invented vehicles: a good body, and one whose walls let three times as much through.
GOOD: dict[str, Any] = {
    "wall_area_m2": 60.0,
    "k_w_m2k": 0.4,
    "capacity_w": [
        {"outside_c": 30, "inside_c": 0, "watts": 5000},
        {"outside_c": 30, "inside_c": 20, "watts": 6000},
        {"outside_c": 40, "inside_c": 0, "watts": 4000},
    ],
    "door_height_m": 2.2,
    "door_width_m": 2.0,
    "has_curtain": False,
}
POOR = {**GOOD, "k_w_m2k": 3.0}
LACKS = [f"cold.{name}" for name in GOOD]


def draft(api: Api, database: Database, clock: Clock) -> tuple[Day, dict[str, Any]]:
    """A draft for the poor vehicle P1; the good one G1 stands in the yard. The goods age."""
    day = make_day(api, database, clock.now, DECK)
    for code, cold in (("P1", POOR), ("G1", GOOD)):
        truck = truck_of(DECK) | {"cold": cold}
        api.made("/v1/vehicles", {"code": code, "name": f"{code} (invented)", "truck": truck})
    with database.transaction() as session:
        for product in session.query(Product).all():
            shelflife.add_profile(
                session,
                clock.now,
                api.callers["qa"],
                product_id=product.id,
                tau_h=TAU_H,
                planned_c=STORE_C,
                routes=ROUTES,
                reason="trial (invented)",
            )
    poor = next(one["id"] for one in api.ok("GET", "/v1/vehicles")["items"] if one["code"] == "P1")
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, "vehicle_ids": [poor]}
    return day, api.as_("dispatcher").made("/v1/load-plans", body)


GROUNDS = {"made": draft}


@pytest.fixture
def made(ground: Any) -> tuple[Day, dict[str, Any]]:
    found: tuple[Day, dict[str, Any]] = ground
    return found


@pytest.fixture
def desk(api: Api) -> Api:
    return api.as_("dispatcher")


def stamp(at: Any) -> str:
    return str(at.isoformat().replace("+00:00", "Z"))


def road(clock: Clock, temp_c: float, **changed: Any) -> dict[str, Any]:
    """Leave in three hours, for an hour to each drop; an afternoon of one temperature after a cool night."""
    at = clock.now + timedelta(hours=3)
    return {
        "departs_at": stamp(at),
        "legs": [
            {"drop": 1, "drive_minutes": 60, "stop_minutes": 15, "door_open_s": 300},
            {"drop": 2, "drive_minutes": 60},
        ],
        "ambient": [
            {"at": stamp(clock.now - timedelta(hours=12)), "temp_c": 5.0},
            {"at": stamp(at - timedelta(minutes=10)), "temp_c": temp_c},
        ],
        **changed,
    }


def test_a_trip_the_reefer_cannot_hold_is_refused_until_something_does(
    made: Any, desk: Api, api: Api, clock: Clock
) -> None:
    _, plan = made
    trip = plan["trips"][0]
    told = desk.made(f"/v1/trips/{trip['id']}/road", road(clock, 36.0))
    assert told["verdict"] == "no"
    assert told["hottest_leg"] == max(told["legs"], key=lambda leg: leg["air_end_c"])["drop"]
    hottest = told["legs"][told["hottest_leg"] - 1]
    assert hottest["air_end_c"] > told["carry_max_c"]
    assert hottest["margin_w"] < 0
    assert told["short_w"] > 0
    assert f"on leg {told['hottest_leg']}, the hottest" in told["text"]
    kinds = {one["kind"]: one["text"] for one in told["remedies"]}
    # Nothing but the better vehicle, or the cool of the morning, would do against such walls.
    assert {"earlier", "other_vehicle"} <= set(kinds)
    assert kinds["other_vehicle"] == "Use another vehicle: G1."
    assert told["cautions"][-1].endswith("licensed practice come before this.")
    shown = api.ok("GET", f"/v1/load-plans/{plan['id']}")["trips"][0]["cold"]
    assert (shown["verdict"], shown["text"]) == ("no", told["text"])
    assert [drop["customer"] for drop in shown["drops"]] == ["A", "B"]
    problem = desk.refused(f"/v1/load-plans/{plan['id']}/confirm", None, 409, "reefer-too-weak")
    assert problem["data"]["leg"] == told["hottest_leg"]
    assert "Use another vehicle: G1." in problem["detail"]
    assert api.ok("GET", f"/v1/load-plans/{plan['id']}")["state"] == "draft"
    # What was said to do does.
    cooler = desk.made(f"/v1/trips/{trip['id']}/road", road(clock, 5.0))
    assert cooler["verdict"] == "yes"
    assert (cooler["remedies"], cooler["short_w"]) == ([], None)
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")


def test_the_other_vehicle_that_was_named_does(made: Any, desk: Api, api: Api, clock: Clock) -> None:
    day, _ = made
    good = next(one["id"] for one in api.ok("GET", "/v1/vehicles")["items"] if one["code"] == "G1")
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, "vehicle_ids": [good]}
    plan = desk.made("/v1/load-plans", body)
    told = desk.made(f"/v1/trips/{plan['trips'][0]['id']}/road", road(clock, 36.0))
    assert told["verdict"] == "yes"
    # By hand: 60 m² × 0.4 × (36 − 4) K; at 36 °C outside and 4 inside 0.4 × 5200 + 0.6 × 4000 W.
    assert told["legs"][0]["walls_w"] == pytest.approx(768)
    assert told["legs"][0]["capacity_w"] == pytest.approx(0.4 * 5200 + 0.6 * 4000)
    assert told["precool"]["setpoint_c"] == 4.0
    assert told["precool"]["start_c"] == 36.0
    assert told["precool"]["minutes"] > 0
    assert f"{told['precool']['minutes']} min" in told["precool"]["text"]
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")


def test_without_the_vehicles_data_the_answer_says_what_is_missing(
    made: Any, desk: Api, api: Api, clock: Clock
) -> None:
    day, _ = made
    bare = api.made("/v1/vehicles", {"code": "B1", "name": "Bare (invented)", "truck": truck_of(DECK)})["id"]
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, "vehicle_ids": [bare]}
    plan = desk.made("/v1/load-plans", body)
    told = api.ok("GET", f"/v1/trips/{plan['trips'][0]['id']}/forecast")
    assert (told["verdict"], told["missing"], told["legs"]) == ("unknown", LACKS, [])
    assert "the vehicle lacks cold.wall_area_m2, cold.k_w_m2k" in told["text"]
    for drop in told["drops"]:
        assert (drop["core_min_c"], drop["core_max_c"]) == (pytest.approx(4.0), pytest.approx(4.0))
        assert {one["used"].keys() == {"staling", "haze"} for one in drop["contents"]} == {True}
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")


def test_life_too_short_for_the_customer_at_the_drop_is_refused_with_lot_and_days(
    made: Any, desk: Api, api: Api, clock: Clock, database: Database
) -> None:
    day, plan = made
    trip = plan["trips"][0]
    told = desk.made(f"/v1/trips/{trip['id']}/road", road(clock, 5.0))
    second = told["drops"][1]
    assert (second["customer"], second["is_life_enough"], second["contents"][0]["least_days"]) == (
        "B",
        True,
        0,
    )
    left = min(one["days_left"] for one in second["contents"])

    def wants(days: int) -> None:
        with database.transaction() as session:
            session.execute(update(Customer).where(Customer.code == "B").values(min_life_days=days))

    wants(left)
    exact = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")["drops"][1]
    assert (exact["spare_days"], exact["is_life_enough"], exact["short"]) == (0, True, [])
    wants(left + 3)
    short = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")
    assert (short["is_life_enough"], short["drops"][0]["is_life_enough"]) == (False, True)
    assert short["drops"][1]["spare_days"] == -3
    problem = desk.refused(f"/v1/load-plans/{plan['id']}/confirm", None, 409, "life-too-short")
    first = problem["data"]["contents"][0]
    assert (first["customer"], first["drop"], first["days_short"]) == ("B", 2, 3)
    assert first["sscc"] in day.ssccs["B"]
    assert f"Lot {first['lot_code']} of {first['sku']}" in problem["detail"]
    assert "who wants" in problem["detail"]
    wants(left)
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")


def test_what_the_site_takes_stands_in_for_what_nobody_said(made: Any, desk: Api, api: Api) -> None:
    _, plan = made
    path = f"/v1/trips/{plan['trips'][0]['id']}/forecast"
    before = {one["name"]: one["basis"] for one in api.ok("GET", path)["assumed"]}
    assert before["drive_minutes"] == before["ambient_by_hour_c"] == "invented"
    desk.made("/v1/road-defaults", {"drive_minutes": 30, "ambient_by_hour_c": [12.0] * 24})
    values = {one["name"]: one for one in api.ok("GET", "/v1/road-defaults")["values"]}
    assert (values["drive_minutes"]["value"], values["drive_minutes"]["basis"]) == (30, "site")
    assert values["stop_minutes"]["basis"] == "invented"
    told = api.ok("GET", path)
    after = {one["name"]: one["basis"] for one in told["assumed"]}
    assert after["drive_minutes"] == after["ambient_by_hour_c"] == "site"
    assert told["legs"][0]["outside_max_c"] == 12.0
    # Anew: what is not named is as invented again.
    desk.made("/v1/road-defaults", {"humidity_pct": 50})
    assert {one["name"]: one["basis"] for one in api.ok("GET", path)["assumed"]}[
        "drive_minutes"
    ] == "invented"


def test_a_road_that_cannot_be_meant_is_refused(made: Any, desk: Api, clock: Clock) -> None:
    _, plan = made
    path = f"/v1/trips/{plan['trips'][0]['id']}/road"
    desk.refused(path, {"legs": [{"drop": 9}]}, 422, "invalid-input")
    desk.refused(path, {"legs": [{"drop": 1, "drive_minutes": -5}]}, 422, "invalid-input")
    desk.refused(path, {"ambient": [{"at": "2026-03-17T10:00:00", "temp_c": 20}]}, 422, "invalid-input")
    desk.refused(path, {"weather": "fine"}, 422, "invalid-input")
    desk.refused(path, {"departs_at": "9999-12-31T23:59:59Z"}, 422, "invalid-input")
    desk.refused(path, {"departs_at": "2026-03-25T06:00:00Z"}, 422, "invalid-input")
    desk.refused("/v1/road-defaults", {"ambient_by_hour_c": [20.0] * 23}, 422, "invalid-input")
    desk.refused("/v1/road-defaults", {"departs_at_time": "25:00"}, 422, "invalid-input")


def test_of_a_trip_that_left_the_last_forecast_is_kept(
    made: Any, desk: Api, api: Api, clock: Clock, database: Database
) -> None:
    day, plan = made
    trip = plan["trips"][0]
    desk.made(f"/v1/trips/{trip['id']}/road", road(clock, 5.0))
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    journey = Journey(api, database, clock, day, trip, 0)
    journey.leave()
    before = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")
    clock.now += timedelta(hours=5)
    assert api.ok("GET", f"/v1/trips/{trip['id']}/forecast") == before
    desk.refused(f"/v1/trips/{trip['id']}/road", road(clock, 5.0), 409, "trip-departed")
