"""One trip of a confirmed plan is given up, the rest stands; what was to go on it can be planned again."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.loads import DAY, TwoTrips, leave, two_trips
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, OutboxMessage

GROUNDS = {"made": two_trips}
BROKEN = {"reason": "its clutch is gone (invented)"}


@pytest.fixture
def made(ground: Any) -> TwoTrips:
    return ground  # type: ignore[no-any-return]


def shown(api: Api, plan_id: int) -> dict[str, Any]:
    return api.ok("GET", f"/v1/load-plans/{plan_id}")


def test_the_rest_stands_and_its_units_and_its_truck_are_free_to_plan_again(
    api: Api, database: Database, made: TwoTrips
) -> None:
    desk, lost, kept = api.as_("dispatcher"), made.fuller, made.other
    path = f"/v1/trips/{lost['id']}/give-up"
    body = {"ship_on": DAY.isoformat(), "drops": made.day.drops[:2]}
    ssccs = {place["sscc"] for place in lost["places"]}
    desk.refused("/v1/load-plans", body, 409, "no-vehicle-free")
    after = desk.made(path, BROKEN, key="once")
    assert desk.made(path, BROKEN, key="once") == after
    assert after == shown(api, made.plan["id"])
    assert (after["state"], after["visits"], after["vehicles"]) == ("confirmed", 1, 1)
    assert after["trips"] == [kept]
    assert f"trip {lost['id']} of vehicle {lost['vehicle_code']} was given up" in after["reasons"][0]
    # It is kept as it was, in a plan of its own that was given up.
    now = api.ok("GET", f"/v1/trips/{lost['id']}")
    assert now == lost | {"plan_id": now["plan_id"]}
    own = shown(api, now["plan_id"])
    assert (own["state"], len(own["trips"]), own["visits"]) == ("dropped", 1, 2)
    assert BROKEN["reason"] in own["reasons"][0]
    scan = {"scan": lost["places"][0]["sscc"]}
    api.as_("picker").refused(f"/v1/trips/{lost['id']}/load", scan, 409, "plan-not-confirmed")
    desk.refused(path, BROKEN, 409, "plan-state")
    desk.refused(f"/v1/trips/{kept['id']}/give-up", BROKEN, 409, "only-trip")
    # The truck is taken out of planning at once, and the units go on another.
    desk.made(f"/v1/vehicles/{lost['vehicle_id']}/deactivate")
    spare = desk.made("/v1/vehicles", {"code": "T9", "name": "Hired (invented)", "truck": _truck(api, lost)})
    again = desk.made("/v1/load-plans", body)
    assert {place["sscc"] for trip in again["trips"] for place in trip["places"]} == ssccs
    assert {trip["vehicle_id"] for trip in again["trips"]} == {spare["id"]}
    confirmed = desk.made(f"/v1/load-plans/{again['id']}/confirm")
    for trip in (kept, *confirmed["trips"]):
        leave(api, trip["id"])
    assert shown(api, made.plan["id"])["state"] == shown(api, again["id"])["state"] == "departed"
    with database.transaction(readonly=True) as session:
        (event,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "trip.given-up"))
        (told,) = session.scalars(select(OutboxMessage.data).where(OutboxMessage.kind == "trip.given-up"))
    assert (event.reason, event.data["ssccs"]) == (BROKEN["reason"], sorted(ssccs))
    assert event.actor_id == api.callers["dispatcher"].id
    assert (told["id"], told["plan_id"]) == (lost["id"], made.plan["id"])


def _truck(api: Api, trip: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = api.ok("GET", f"/v1/vehicles/{trip['vehicle_id']}")["truck"]
    return found


def test_what_stands_takes_them_in_again_where_there_is_room_and_what_is_loaded_is_not_given_up(
    api: Api, made: TwoTrips
) -> None:
    desk, kept, lost = api.as_("dispatcher"), made.fuller, made.other
    due = api.ok("GET", f"/v1/trips/{lost['id']}/next")["next"][0]["sscc"]
    api.as_("picker").made(f"/v1/trips/{lost['id']}/load", {"scan": due})
    problem = desk.refused(f"/v1/trips/{lost['id']}/give-up", BROKEN, 409, "trip-begun")
    assert problem["data"]["ssccs"] == [due]
    api.as_("picker").made(
        f"/v1/trips/{lost['id']}/unload", {"scan": due, "zone_id": made.day.zones["staging"]}
    )
    after = desk.made(f"/v1/trips/{lost['id']}/give-up", BROKEN)
    assert after["trips"] == [kept]
    # Three units, and two places are left: the truck that is free again takes them.
    order = made.day.orders[lost["places"][0]["customer_code"]]
    done = desk.made(f"/v1/load-plans/{made.plan['id']}/amend", {"orders": [order]})
    assert done["added"] == sorted(place["sscc"] for place in lost["places"])
    assert (done["moved"], done["vehicle_id"]) == ([], lost["vehicle_id"])


def test_a_plan_is_over_when_what_has_not_left_is_given_up(api: Api, made: TwoTrips) -> None:
    leave(api, made.other["id"])
    desk = api.as_("dispatcher")
    desk.refused(f"/v1/trips/{made.other['id']}/give-up", BROKEN, 409, "trip-departed")
    after = desk.made(f"/v1/trips/{made.fuller['id']}/give-up", BROKEN)
    assert (after["state"], [trip["id"] for trip in after["trips"]]) == ("departed", [made.other["id"]])


def test_a_trip_of_a_draft_is_not_given_up_by_itself(api: Api, made: TwoTrips) -> None:
    desk = api.as_("dispatcher")
    desk.made(f"/v1/load-plans/{made.plan['id']}/drop")
    body = {"ship_on": DAY.isoformat(), "drops": made.day.drops[:3]}
    draft = desk.made("/v1/load-plans", body)
    desk.refused(f"/v1/trips/{draft['trips'][0]['id']}/give-up", BROKEN, 409, "plan-state")
