"""At the dock door: the wrong unit and the wrong order are caught, and what the dispatcher overrules is kept."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from builders.grounds import Clock
from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.orders.tables import OrderLine
from rimekeep.picking import jobs as picking_jobs
from rimekeep.picking import usecases as picking
from rimekeep.picking.tables import Allocated
from rimekeep.platform.journal import LedgerEvent

DECK = few(instance("deck_s1_basic"))


def confirmed(api, database, clock, *, is_picked=True):
    day = make_day(api, database, clock.now, DECK, is_picked=is_picked)
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    made = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    return day, desk.made(f"/v1/load-plans/{made['id']}/confirm")["trips"][0]


def unpicked(api, database, clock):
    """The plan is confirmed while every whole pallet still stands in the room, on an open list."""
    day, trip = confirmed(api, database, clock, is_picked=False)
    with database.transaction() as session:
        lead = api.callers["lead"]
        picking.make_pick_lists(session, clock.now, lead, order_ids=list(day.orders.values()))
    return day, trip


GROUNDS = {"picked": confirmed, "half": unpicked}


@pytest.fixture
def picked(ground):
    return ground


@pytest.fixture
def half(ground):
    return ground


def drop(trip, number):
    return [place["sscc"] for place in trip["places"] if place["drop"] == number]


def load(api, trip, sscc, role="picker", **more):
    return api.as_(role).made(f"/v1/trips/{trip['id']}/load", {"scan": sscc, **more})


def pick(api, database, clock, sscc):
    """Take the list that holds this pallet and confirm its stop; the other stops stay open."""
    device = api.callers["picker"]
    lists = api.ok("GET", "/v1/pick-lists")["items"]
    with database.transaction() as session:
        for one in lists:
            task = picking.take_list(session, clock.now, device, list_id=one["id"], lease_s=300)
            found = [stop for stop in task.picks if stop.sscc == sscc]
            if found:
                picking.confirm_pick(
                    session, clock.now, device, pick_id=found[0].id, scan=sscc, bay_check_code=None,
                    cases=found[0].cases, lease_s=300,
                )  # fmt: skip
                return
            picking.hand_back(session, clock.now, device, list_id=one["id"])
    raise AssertionError(f"no list holds {sscc}")


def order_of(api, trip, sscc):
    order_id = next(place["order_id"] for place in trip["places"] if place["sscc"] == sscc)
    return api.ok("GET", f"/v1/orders/{order_id}")


def test_the_answer_says_why_a_unit_has_to_wait(api, picked):
    _, trip = picked
    address = f"/v1/trips/{trip['id']}/load"
    early = api.as_("picker").refused(address, {"scan": drop(trip, 1)[0]}, 409, "not-next")
    assert "it would bar the way to drop 2" in early["detail"]
    assert early["errors"][0]["mend"].startswith("Load ")
    foreign = api.as_("picker").refused(address, {"scan": "395212340099999992"}, 409, "unknown-unit")
    assert "not of this store" in foreign["detail"]
    assert foreign["data"]["next"]


def test_held_and_unpicked_units_are_refused_with_what_to_do(api, database, clock, half):
    _, trip = half
    last = drop(trip, 2)
    address = f"/v1/trips/{trip['id']}/load"
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]["sscc"]
    waiting = api.as_("picker").refused(address, {"scan": due}, 409, "unit-not-picked")
    assert waiting["errors"][0] == {
        "field": "scan",
        "detail": f"Unit {due} is in_store, not picked; pick it first.",
        "mend": "Leave it: it has to be picked for its order first.",
    }
    pick(api, database, clock, due)
    api.as_("qa").made(f"/v1/units/{due}/hold", {"reason": "seal broken"})
    held = api.as_("picker").refused(address, {"scan": due}, 409, "stock-held")
    assert "tell QA" in held["errors"][0]["mend"]
    assert "seal broken" in held["detail"]
    assert due in last


def test_what_is_taken_off_again_leaves_an_order_allocated_while_any_of_it_is_to_be_picked(
    api, database, clock, half
):
    day, trip = half
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]["sscc"]
    pick(api, database, clock, due)
    load(api, trip, due)
    assert order_of(api, trip, due)["state"] == "loaded"
    off = {"scan": due, "zone_id": day.zones["staging"]}
    api.as_("picker").made(f"/v1/trips/{trip['id']}/unload", off)
    # The order's other pallet stands in the room still.
    assert order_of(api, trip, due)["state"] == "allocated"


def test_a_half_loaded_order_stays_loaded_when_the_rest_of_it_is_picked(api, database, clock, half):
    _, trip = half
    first, second = drop(trip, 2)
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]["sscc"]
    other = second if due == first else first
    pick(api, database, clock, due)
    load(api, trip, due)
    pick(api, database, clock, other)
    assert order_of(api, trip, due)["state"] == "loaded"
    load(api, trip, other)
    assert order_of(api, trip, due)["state"] == "loaded"


def test_the_rest_of_a_half_loaded_order_is_served_anew_when_qa_stops_it(api, database, clock, half):
    day, trip = half
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]["sscc"]
    other = next(sscc for sscc in drop(trip, 2) if sscc != due)
    pick(api, database, clock, due)
    load(api, trip, due)
    api.as_("qa").made(f"/v1/units/{other}/hold", {"reason": "leaking"})
    picking_jobs.reallocate(database, clock.now)
    order = order_of(api, trip, due)
    assert order["state"] == "loaded"
    # Its reservation is gone; what is on the truck stays promised.
    serving = {one["sscc"]: one["state"] for one in order["allocations"] if one["state"] != "returned"}
    assert serving.get(due) == "picked"
    assert other not in serving
    with database.transaction(readonly=True) as session:
        states = session.execute(
            select(Allocated.state)
            .join(OrderLine, OrderLine.id == Allocated.line_id)
            .where(OrderLine.order_id == order["id"])
        ).scalars()
        assert sorted(states) == ["picked", "returned"]
    api.as_("dispatcher").refused(f"/v1/trips/{trip['id']}/depart", None, 409, "not-all-loaded")
    assert day.orders


def test_only_the_dispatcher_overrules_and_what_was_overruled_is_on_record(api, database, clock, picked):
    _, trip = picked
    address = f"/v1/trips/{trip['id']}/load"
    early = drop(trip, 1)[0]
    body = {"scan": early, "overrule": "customer closes early, swap agreed by phone"}
    api.as_("picker").refused(address, body, 403, "role-missing")
    due = api.as_("dispatcher").made(address, body)["next"]
    assert {one["sscc"] for one in due} <= set(drop(trip, 2))
    (kept,) = api.ok("GET", f"/v1/trips/{trip['id']}/deviations")["items"]
    assert (kept["kind"], kept["reason"], kept["by"]) == (
        "wrong-order",
        body["overrule"],
        api.callers["dispatcher"].id,
    )
    assert kept["detail"].startswith("loaded before ")
    with database.transaction(readonly=True) as session:
        (told,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "trip.deviation"))
        assert (told.reason, told.data["sscc"]) == (body["overrule"], early)
    # What was in turn is no deviation, whoever gives a reason.
    load(api, trip, due[0]["sscc"], role="lead", overrule="no reason at all")
    assert len(api.ok("GET", f"/v1/trips/{trip['id']}/deviations")["items"]) == 1


def test_a_unit_put_elsewhere_is_taken_into_the_plan_if_the_deck_stays_legal(api, picked):
    _, trip = picked
    address = f"/v1/trips/{trip['id']}/load"
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    one, other = due
    swapped = {"scan": one["sscc"], "row": other["row"], "lane": other["lane"]}
    plain = api.as_("dispatcher").refused(address, swapped, 409, "wrong-place")
    assert "overrule" in plain["detail"]
    api.as_("dispatcher").made(address, {**swapped, "overrule": "left side is wet"})
    places = {place["sscc"]: place for place in api.ok("GET", f"/v1/trips/{trip['id']}")["places"]}
    assert (places[one["sscc"]]["row"], places[one["sscc"]]["lane"]) == (other["row"], other["lane"])
    assert (places[other["sscc"]]["row"], places[other["sscc"]]["lane"]) == (one["row"], one["lane"])
    (kept,) = api.ok("GET", f"/v1/trips/{trip['id']}/deviations")["items"]
    assert kept["kind"] == "wrong-place"
    # No word makes a deck legal that bars a drop's way.
    barred = {"scan": other["sscc"], "row": 3, "lane": 0, "overrule": "because"}
    occupied = [p for p in places.values() if (p["row"], p["lane"]) == (3, 0)]
    if not occupied or occupied[0]["drop"] == 1:
        api.as_("dispatcher").refused(address, barred, 409, "illegal-move")


def test_clock_is_that_of_the_service(clock: Clock, api, picked):
    _, trip = picked
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]
    api.as_("dispatcher").made(
        f"/v1/trips/{trip['id']}/load", {"scan": drop(trip, 1)[0], "overrule": "agreed by phone"}
    )
    (kept,) = api.ok("GET", f"/v1/trips/{trip['id']}/deviations")["items"]
    assert kept["at"] == clock.now.isoformat().replace("+00:00", "Z")
    assert due["drop"] == 2
