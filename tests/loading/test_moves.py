"""Units moved between trips and pinned, over HTTP."""

from __future__ import annotations

import pytest
from sqlalchemy import select, update

from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.errors import Conflict
from rimekeep.loading import queries, usecases
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.platform.journal import LedgerEvent

DECK = few(instance("deck_s1_basic"), stops=3, each=3)


def two_trips(api, database, clock):
    """Three drops of three pallets, one more than a truck has places."""
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 2)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    plan = api.as_("dispatcher").made("/v1/load-plans", body)
    assert len(plan["trips"]) == 2
    return plan, day


GROUNDS = {"two": two_trips}


@pytest.fixture
def two(ground):
    return ground


def free_place(trip):
    taken = {(place["row"], place["lane"]) for place in trip["places"]}
    rows = DECK["truck"]["rows"]
    return [
        (r, k) for r in reversed(range(len(rows))) for k in range(rows[r]["lanes"]) if (r, k) not in taken
    ]


def is_legal(api, database, plan_id):
    """Judge what is shown by the separate checker and the stored request."""
    shown = api.ok("GET", f"/v1/load-plans/{plan_id}")
    with database.transaction(readonly=True) as session:
        request = session.scalars(select(LoadPlanRow.request).where(LoadPlanRow.id == plan_id)).one()
    decks = [[(p["sscc"], p["row"], p["lane"]) for p in trip["places"]] for trip in shown["trips"]]
    return check_plan(load_request(request), decks) == []


def first_legal(desk, moves):
    """Make the first of these moves that breaks no rule; return it, its preview and what it came to."""
    for trip, body in moves:
        shown = desk.made(f"/v1/trips/{trip['id']}/moves", {**body, "only_preview": True})
        assert shown["is_made"] is False
        if not shown["violations"]:
            return trip, body, shown, desk.made(f"/v1/trips/{trip['id']}/moves", body)
    raise AssertionError("none of these moves is legal")


def test_a_unit_goes_to_another_trip_with_drops_weights_and_air_reckoned_anew(api, database, two):
    plan, _ = two
    desk = api.as_("dispatcher")
    moves = [
        (trip, {"sscc": place["sscc"], "row": row, "lane": lane, "to_trip_id": other["id"]})
        for trip, other in (plan["trips"], plan["trips"][::-1])
        for place in trip["places"]
        for row, lane in free_place(other)
    ]
    before = api.ok("GET", f"/v1/load-plans/{plan['id']}")
    trip, body, shown, made = first_legal(desk, moves)
    assert before["trips"] == plan["trips"], "looking at moves changed the plan"
    assert made["is_made"]
    assert made["changes"] == shown["changes"]
    assert {one["trip_id"] for one in made["changes"]} == {one["id"] for one in plan["trips"]}
    mass_kg = next(place["mass_kg"] for place in trip["places"] if place["sscc"] == body["sscc"])
    for change in made["changes"]:
        payload = next(one for one in change["limits"] if one["limit"] == "payload")
        is_giver = change["trip_id"] == trip["id"]
        assert payload["verdict"] == ("better" if is_giver else "worse")
        gained = payload["after"]["kg"] - payload["before"]["kg"]
        assert gained == pytest.approx(mass_kg if is_giver else -mass_kg)
    after = {one["id"]: one for one in api.ok("GET", f"/v1/load-plans/{plan['id']}")["trips"]}
    assert len(after[trip["id"]]["places"]) == len(trip["places"]) - 1
    for one in after.values():
        payload_kg = sum(place["mass_kg"] for place in one["places"])
        assert one["axle_table"][0]["payload_kg"] == pytest.approx(payload_kg)
        drops = {place["customer_code"]: place["drop"] for place in one["places"]}
        assert sorted(drops.values()) == list(range(1, len(drops) + 1))
    assert is_legal(api, database, plan["id"])
    with database.transaction(readonly=True) as session:
        (told,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "deck.changed"))
        assert (told.data["trip_id"], told.data["to_trip_id"]) == (trip["id"], body["to_trip_id"])
    assert desk.made(f"/v1/load-plans/{plan['id']}/confirm")["state"] == "confirmed"


def test_units_of_two_trips_change_places(api, database, two):
    plan, _ = two
    first, second = plan["trips"]
    moves = [
        (
            first,
            {"sscc": one["sscc"], "row": other["row"], "lane": other["lane"], "to_trip_id": second["id"]},
        )
        for one in first["places"]
        for other in second["places"]
    ]
    trip, body, shown, made = first_legal(api.as_("dispatcher"), moves)
    taken = next(p for p in second["places"] if (p["row"], p["lane"]) == (body["row"], body["lane"]))
    left = next(p for p in trip["places"] if p["sscc"] == body["sscc"])
    assert shown["swapped_with"] == made["swapped_with"] == taken["sscc"]
    after = {one["id"]: one for one in api.ok("GET", f"/v1/load-plans/{plan['id']}")["trips"]}
    at = {p["sscc"]: (key, p["row"], p["lane"]) for key, one in after.items() for p in one["places"]}
    assert at[left["sscc"]] == (second["id"], body["row"], body["lane"])
    assert at[taken["sscc"]] == (first["id"], left["row"], left["lane"])
    assert is_legal(api, database, plan["id"])


def test_a_pinned_unit_stays_until_it_is_unpinned(api, database, two):
    plan, _ = two
    desk = api.as_("dispatcher")
    trip = plan["trips"][0]
    one, other = [place for place in trip["places"] if place["drop"] == 1][:2]
    pins = f"/v1/trips/{trip['id']}/pins"
    shown = desk.made(pins, {"ssccs": [one["sscc"]], "is_pinned": True})
    assert {place["sscc"] for place in shown["places"] if place["is_pinned"]} == {one["sscc"]}
    swap = {"sscc": other["sscc"], "row": one["row"], "lane": one["lane"]}
    problem = desk.refused(f"/v1/trips/{trip['id']}/moves", swap, 409, "unit-pinned")
    assert problem["data"]["sscc"] == one["sscc"]
    desk.made(pins, {"ssccs": [one["sscc"]], "is_pinned": True})
    desk.made(pins, {"ssccs": [one["sscc"]], "is_pinned": False})
    assert desk.made(f"/v1/trips/{trip['id']}/moves", swap)["is_made"]
    with database.transaction(readonly=True) as session:
        kinds = list(session.scalars(select(LedgerEvent.kind).where(LedgerEvent.kind.like("deck.%pin%"))))
    # Saying it twice changes nothing.
    assert kinds == ["deck.pinned", "deck.unpinned"]
    wrong = desk.refused(pins, {"ssccs": [one["sscc"], "1" * 18], "is_pinned": True}, 422, "invalid-input")
    assert wrong["errors"][0]["field"] == "ssccs[1]"


def test_what_cannot_be_moved_there_is_refused_with_the_reason(api, two):
    plan, _ = two
    desk = api.as_("dispatcher")
    first = plan["trips"][0]
    place = first["places"][0]
    body = {"sscc": place["sscc"], "row": 0, "lane": 0, "to_trip_id": 999}
    problem = desk.refused(f"/v1/trips/{first['id']}/moves", body, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "to_trip_id"
    assert api.ok("GET", f"/v1/load-plans/{plan['id']}")["trips"] == plan["trips"]


def test_a_trip_keeps_its_last_unit(api, database, clock):
    deck = few(instance("deck_s1_basic"), stops=2, each=1)
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 2)
    desk = api.as_("dispatcher")
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, "max_stops_per_trip": 1}
    first, second = desk.made("/v1/load-plans", body)["trips"]
    sent = {"sscc": first["places"][0]["sscc"], "row": 0, "lane": 0, "to_trip_id": second["id"]}
    desk.refused(f"/v1/trips/{first['id']}/moves", sent, 409, "last-on-trip")


@pytest.mark.parametrize("is_moved", [True, False])
def test_a_trip_that_left_while_the_lock_was_waited_for_is_closed(api, database, clock, two, is_moved):
    """The row that was read before the lock is not what is judged after it."""
    trip = two[0]["trips"][0]
    place = trip["places"][0]
    desk = api.callers["dispatcher"]
    with database.transaction() as session:
        read_before = queries.trip(session, desk.site_id, trip["id"])
        # As another's transaction leaves it: the row changes, what was read does not.
        session.connection().execute(
            update(Trip.__table__).where(Trip.__table__.c.id == trip["id"]).values(departed_at=clock.now)
        )
        assert read_before.departed_at is None
        here = {"trip_id": trip["id"]}
        at = {"sscc": place["sscc"], "row": place["row"], "lane": place["lane"]}
        pins = {"ssccs": [place["sscc"]], "is_pinned": True}
        change, said = (usecases.move_on_deck, at) if is_moved else (usecases.pin_units, pins)
        with pytest.raises(Conflict, match="closed"):
            change(session, clock.now, desk, **here, **said)
        session.rollback()
