"""A trip asks its cold once more when it leaves: as it leaves now, with what was measured at loading."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select, update

from builders.api import Api
from builders.grounds import Clock
from builders.journeys import ROUTES, STORE_C, TAU_H
from builders.loads import DAY, Day, few, instance, make_day, truck_of
from rimekeep.orders.tables import Customer
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock.tables import Product

DECK = few(instance("deck_s1_basic"))
# A plate of an invented vehicle: it holds 4 °C in the cool of a night and not in the heat of a day.
COLD: dict[str, Any] = {
    "wall_area_m2": 60.0,
    "k_w_m2k": 3.0,
    "capacity_w": [
        {"outside_c": 30, "inside_c": 0, "watts": 5000},
        {"outside_c": 30, "inside_c": 20, "watts": 6000},
        {"outside_c": 40, "inside_c": 0, "watts": 4000},
    ],
    "door_height_m": 2.2,
    "door_width_m": 2.0,
    "has_curtain": False,
}


def confirmed(api: Api, database: Database, clock: Clock) -> tuple[Day, dict[str, Any]]:
    """A confirmed trip of ageing goods, by a forecast of 10 °C; nothing is loaded yet."""
    day = make_day(api, database, clock.now, DECK)
    truck = truck_of(DECK) | {"cold": COLD}
    api.made("/v1/vehicles", {"code": "P1", "name": "P1 (invented)", "truck": truck})
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
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    trip = plan["trips"][0]
    weather(api, trip, clock, 10.0)
    return day, desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]


GROUNDS = {"made": confirmed}


@pytest.fixture
def made(ground: Any) -> tuple[Day, dict[str, Any]]:
    found: tuple[Day, dict[str, Any]] = ground
    return found


@pytest.fixture
def desk(api: Api) -> Api:
    return api.as_("dispatcher")


def weather(api: Api, trip: dict[str, Any], clock: Clock, temp_c: float, hours: float = 3.0) -> Any:
    """Say one temperature for the trip's day, which leaves in so many hours and drives an hour to each drop."""
    at = clock.now + timedelta(hours=hours)
    body = {
        "departs_at": at.isoformat(),
        "legs": [{"drop": 1, "stop_minutes": 15, "door_open_s": 300}, {"drop": 2}],
        "ambient": [{"at": (clock.now - timedelta(hours=2)).isoformat(), "temp_c": temp_c}],
    }
    return api.as_("dispatcher").made(f"/v1/trips/{trip['id']}/road", body)


def load(api: Api, trip: dict[str, Any], measured: dict[int, tuple[str, float]] | None = None) -> None:
    """Load all of it; what goes to a drop is measured first where ``measured`` says so."""
    picker, path = api.as_("picker"), f"/v1/trips/{trip['id']}"
    due = api.ok("GET", f"{path}/next")["next"]
    while due:
        one = due[0]
        if measured and one["drop"] in measured:
            kind, temp_c = measured[one["drop"]]
            body = {"scan": one["sscc"], "kind": kind, "temp_c": temp_c, "probe": "P-1"}
            taken = picker.made(f"{path}/load-temperatures", body)
            if not taken["may_load"]:
                accept = {"reason": "for the brewery's own tent (invented)"}
                api.as_("qa").made(f"{path}/load-temperatures/{taken['id']}/accept", accept)
        due = picker.made(f"{path}/load", {"scan": one["sscc"]})["next"]


def test_it_leaves_by_the_newest_weather_from_now_on(made: Any, desk: Api, api: Api, clock: Clock) -> None:
    _, trip = made
    path = f"/v1/trips/{trip['id']}"
    load(api, trip)
    clock.now += timedelta(minutes=40)
    left = desk.made(f"{path}/depart", key="once")
    assert (left["cold"]["is_reckoned"], left["cold"]["verdict"]) == (True, "yes")
    assert (left["cold"]["reasons"], left["cold"]["despite"]) == ([], None)
    # Not in three hours, as was said: an hour from now to the first drop, and 15 min and an hour to the next.
    arrivals = [datetime.fromisoformat(drop["arrives_at"]) for drop in left["cold"]["drops"]]
    assert arrivals == [clock.now + timedelta(minutes=60), clock.now + timedelta(minutes=135)]
    kept = api.ok("GET", f"{path}/forecast")
    assert (
        datetime.fromisoformat(kept["departs_at"]) == datetime.fromisoformat(left["departed_at"]) == clock.now
    )
    assert desk.made(f"{path}/depart", key="once") == left
    desk.refused(f"{path}/depart", None, 409, "trip-departed")


def test_it_does_not_leave_into_heat_the_unit_cannot_hold_unless_somebody_says_why(
    made: Any, desk: Api, api: Api, clock: Clock, database: Database
) -> None:
    _, trip = made
    path = f"/v1/trips/{trip['id']}"
    load(api, trip)
    hot = weather(api, trip, clock, 36.0)
    assert hot["verdict"] == "no"
    problem = desk.refused(f"{path}/depart", None, 409, "reefer-too-weak")
    warm = next(place for place in trip["places"] if place["sscc"] == problem["data"]["sscc"])
    assert problem["data"]["leg"] == problem["data"]["drop"] == warm["drop"] == hot["hottest_leg"]
    assert f"on leg {hot['hottest_leg']}, the hottest" in problem["detail"]
    assert f"Warmest there: {problem['data']['sku']}, lot {problem['data']['lot_code']}" in problem["detail"]
    assert "say why in 'despite'" in problem["detail"]
    assert api.ok("GET", path)["departed_at"] is None
    desk.refused(f"{path}/depart", {"despite": "x"}, 422, "invalid-input")
    left = desk.made(f"{path}/depart", {"despite": "ice is laid on (invented)"})
    assert (left["cold"]["verdict"], left["cold"]["despite"]) == ("no", "ice is laid on (invented)")
    assert "the hottest" in left["cold"]["reasons"][0]
    with database.transaction(readonly=True) as session:
        (told,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "trip.cold-overruled"))
        assert (told.reason, told.actor_id) == ("ice is laid on (invented)", api.callers["dispatcher"].id)
        assert told.data["leg"] == hot["hottest_leg"]


def test_goods_measured_warm_at_loading_are_reckoned_as_measured(
    made: Any, desk: Api, api: Api, clock: Clock
) -> None:
    """The core follows the air with the profile's time constant: dT/dt = (air − T)/τ, solved by hand."""
    _, trip = made
    load(api, trip, {2: ("core", 6.0)})
    left = desk.made(f"/v1/trips/{trip['id']}/depart")
    first, second = left["cold"]["drops"]
    assert first["core_max_c"] == pytest.approx(4.0, abs=0.1)
    # Two hours and a quarter at the set point of 4 °C, but for what the open doors let in.
    assert second["core_max_c"] == pytest.approx(4 + 2 * np.exp(-2.25 / TAU_H), abs=0.1)
    told = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")["drops"]
    assert [{one["is_measured"] for one in drop["contents"]} for drop in told] == [{False}, {True}]


def test_a_colder_surface_tells_nothing_of_a_core(made: Any, desk: Api, api: Api) -> None:
    _, trip = made
    load(api, trip, {1: ("surface", 2.0), 2: ("surface", 6.0)})
    left = desk.made(f"/v1/trips/{trip['id']}/depart")
    first, second = left["cold"]["drops"]
    assert first["core_max_c"] == pytest.approx(4.0, abs=0.1)
    assert second["core_max_c"] == pytest.approx(4 + 2 * np.exp(-2.25 / TAU_H), abs=0.1)


def test_goods_that_warm_up_above_their_range_on_the_way_stay(
    made: Any, desk: Api, api: Api, clock: Clock
) -> None:
    """Loaded at 5.9 °C of at most 6: the air warms them, though QA's word lets warmer ones cool down."""
    _, trip = made
    load(api, trip, {1: ("core", 9.0), 2: ("core", 5.999)})
    weather(api, trip, clock, 36.0)
    problem = desk.refused(f"/v1/trips/{trip['id']}/depart", None, 409, "reefer-too-weak")
    warm = [one for one in problem["data"]["reasons"] if "may have" in one]
    assert len(warm) == 2
    assert all("at drop 2 with a core of" in one and "may have 6 °C" in one for one in warm)


def test_it_does_not_leave_too_late_for_the_customers_days(
    made: Any, desk: Api, api: Api, clock: Clock, database: Database
) -> None:
    _, trip = made
    path = f"/v1/trips/{trip['id']}"
    load(api, trip)
    left = min(one["days_left"] for one in api.ok("GET", f"{path}/forecast")["drops"][1]["contents"])
    with database.transaction() as session:
        session.execute(update(Customer).where(Customer.code == "B").values(min_life_days=left + 2))
    problem = desk.refused(f"{path}/depart", None, 409, "life-too-short")
    assert (problem["data"]["drop"], problem["data"]["customer"], problem["data"]["days_short"]) == (
        2,
        "B",
        2,
    )
    assert f"Lot {problem['data']['lot_code']} of {problem['data']['sku']}" in problem["detail"]
    assert "at drop 2" in problem["detail"]


def test_without_weather_it_says_that_the_cold_was_not_reckoned_and_leaves(
    made: Any, desk: Api, api: Api, clock: Clock
) -> None:
    _, trip = made
    desk.made(f"/v1/trips/{trip['id']}/road", {})
    load(api, trip)
    left = desk.made(f"/v1/trips/{trip['id']}/depart")
    assert (left["cold"]["is_reckoned"], left["cold"]["verdict"], left["cold"]["hottest_leg"]) == (
        False,
        "unknown",
        None,
    )
    assert left["cold"]["text"].startswith("The cold was not reckoned: nobody gave a forecast")
