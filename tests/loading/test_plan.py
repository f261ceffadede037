"""A day is planned over HTTP. Optima: the deck instances of fixtures/checks/loads, each proven by two solvers."""

import json
from pathlib import Path

import pytest
from sqlalchemy import func, select

from builders.loads import DAY, few, instance, make_day, pick_orders, register_fleet, truck_of
from builders.orders import make_order
from builders.stock import make_lot, make_product, make_unit
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.day import checked_truck
from rimekeep.loading.core.request import load_request
from rimekeep.loading.tables import DeckPlace, Trip
from rimekeep.orders.queries import customer_by_code
from rimekeep.picking import usecases as picking


def plan(api, status=201, **body):
    response = api.as_("dispatcher").post("/v1/load-plans", {"ship_on": DAY.isoformat(), **body})
    assert response.status_code == status, response.text
    return response.json()


def decks(shown):
    return [
        [(place["sscc"], place["row"], place["lane"]) for place in trip["places"]] for trip in shown["trips"]
    ]


def judged(shown, deck, day):
    """Judge a plan by a request built from the instance itself, not from what the service made of it."""
    names = {}
    pallets = []
    for stop, ssccs in day.ssccs.items():
        for pallet, sscc in zip([p for p in deck["pallets"] if p["stop"] == stop], ssccs, strict=True):
            names[pallet["id"]] = sscc
            pallets.append({**pallet, "id": sscc})
    return check_plan(load_request({**deck, "pallets": pallets}), decks(shown))


@pytest.mark.parametrize("name", ["deck_s1_basic", "deck_s4_axle_after_drop"])
def test_a_days_plan_takes_the_proven_fewest_vehicles_and_is_legal_after_every_drop(
    api, database, clock, name
):
    deck = instance(name)
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 4)
    shown = plan(api, drops=day.drops)
    assert shown["status"] == deck["expected"]["status"]
    assert (len(shown["trips"]), shown["visits"]) == (deck["expected"]["trucks"], deck["expected"]["visits"])
    assert judged(shown, deck, day) == []
    for trip in shown["trips"]:
        stops = {place["customer_code"] for place in trip["places"]}
        assert len(trip["axle_table"]) == 1 + len(stops)
        for state in trip["axle_table"]:
            assert all(axle["load_kg"] <= axle["max_kg"] + 1e-6 for axle in state["axles"])
        assert trip["axle_table"][0]["payload_kg"] == pytest.approx(
            sum(place["mass_kg"] for place in trip["places"])
        )
        assert trip["axle_table"][-1]["payload_kg"] == 0
        assert trip["drawing"].startswith("front |")
        assert (trip["setpoint_min_c"], trip["setpoint_max_c"]) == (2, 6)
    again = plan(api, drops=day.drops)
    assert decks(again) == decks(shown)
    assert api.ok("GET", f"/v1/load-plans/{shown['id']}")["trips"] == shown["trips"]


def test_announced_empties_are_given_places_and_weighed_after_their_drop(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 2)
    first, second = day.drops
    back = {"order_id": first, "kind": "keg", "pieces": 12, "mass_kg": 150, "places": 1}
    shown = plan(api, drops=day.drops, empties=[back])
    (trip,) = shown["trips"]
    (stowed,) = trip["stowed"]
    assert (stowed["stop"], stowed["kind"], stowed["places"]) == (next(iter(day.orders)), "keg", 1)
    later = [place["row"] for place in trip["places"] if place["order_id"] == second]
    assert stowed["row"] > max(later)
    left_kg = sum(place["mass_kg"] for place in trip["places"] if place["order_id"] == second)
    assert [state["payload_kg"] for state in trip["axle_table"][1:]] == pytest.approx([left_kg + 150, 150])
    assert f"row {stowed['row'] + 1}, 1 place along the right wall" in trip["drawing"]
    sheet, notes = (
        api.get(f"/v1/trips/{trip['id']}/{name}.html").text for name in ("sheet", "delivery-notes")
    )
    assert "<td>12 kegs, 150 kg</td>" in sheet
    first_note, second_note = notes.split("<article")[1:]
    assert "Empties announced: 12 kegs, 150 kg" in first_note
    assert "Empties announced" not in second_note
    confirmed = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/confirm", None)
    assert confirmed["state"] == "confirmed"


def test_empties_that_cannot_be_fetched_are_refused_in_words(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 2)
    back = {"order_id": day.drops[0], "kind": "crate", "pieces": 9, "mass_kg": 90, "places": 900}
    shown = plan(api, 200, drops=day.drops, empties=[back])
    assert shown["status"] == "infeasible"
    assert any(reason.startswith("empties: ") for reason in shown["reasons"])
    body = {"ship_on": DAY.isoformat(), "empties": [back | {"order_id": 10**6}]}
    problem = api.as_("dispatcher").refused("/v1/load-plans", body, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "empties[0].order_id"


def test_a_day_that_does_not_fit_says_why_and_binds_nothing(api, database, clock):
    deck = instance("deck_s5_infeasible_fleet")
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    shown = plan(api, 200, drops=day.drops)
    assert (shown["status"], shown["trips"]) == ("infeasible", [])
    assert any("no common setpoint" in reason or "temperature" in reason for reason in shown["reasons"]), (
        shown["reasons"]
    )
    api.as_("dispatcher").refused(f"/v1/load-plans/{shown['id']}/confirm", None, 409, "plan-infeasible")
    with database.transaction(readonly=True) as session:
        assert [session.scalar(select(func.count()).select_from(table)) for table in (Trip, DeckPlace)] == [
            0,
            0,
        ]
    # With one truck more, as the reason asks for, it fits.
    api.made("/v1/vehicles", {"code": "T2", "name": "Second truck (invented)", "truck": truck_of(deck)})
    assert plan(api, drops=day.drops)["status"] == "optimal"


def test_a_vehicle_without_axles_is_refused_with_the_field_and_the_mend(api):
    rows = [{"x_mm": 500, "lanes": 2}]
    bare = {"rows": rows, "payload_max_kg": 9000, "gross_max_kg": 21000}
    body = {"code": "T1", "name": "No axles", "truck": bare}
    problem = api.as_("dispatcher").refused("/v1/vehicles", body, 422, "load-request")
    named = {fault["field"]: fault for fault in problem["errors"]}
    assert "no axles" in named["truck"]["detail"]
    assert "WB_mm" in named["truck"]["mend"]
    assert api.ok("GET", "/v1/vehicles")["items"] == []
    assert api.ok("GET", "/v1/zones")["items"] == []


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"L_s_mm": 0}, "truck.L_s_mm"),
        ({"F0_kg": 8000}, "truck.front_max_kg"),
        ({"payload_max_kg": "much"}, "truck.payload_max_kg"),
        ({"rows": []}, "truck.rows"),
        ({"rows": [{"x_mm": 500, "lanes": 2}] * 2}, "truck.rows[1].x_mm"),
        ({"rows": [{"x_mm": 500 * k, "lanes": 2} for k in range(61)]}, "truck.rows"),
        ({"kind": "sledge"}, "truck.kind"),
        ({"pallet": "a\x00b"}, "truck.pallet"),
        ({"colour": "white"}, "truck.colour"),
    ],
)
def test_a_truck_that_cannot_be_is_refused_by_field(change, field):
    with pytest.raises(Invalid) as raised:
        checked_truck(truck_of(instance("deck_s1_basic")) | change)
    assert field in [fault.field for fault in raised.value.faults]


def test_the_demos_vehicles_are_trucks_that_can_be():
    vehicles = json.loads(
        (Path(__file__).parents[2] / "fixtures/demo/vehicles.json").read_text(encoding="utf-8")
    )
    assert all(checked_truck(one["truck"])["rows"] for one in vehicles)


def test_a_vehicles_load_space_is_a_zone_and_its_code_is_used_once(api):
    truck = truck_of(instance("deck_s1_basic"))
    made = api.as_("dispatcher").made(
        "/v1/vehicles", {"code": "T1", "name": "Truck", "truck": truck, "planned_c": 3}
    )
    zone = next(one for one in api.ok("GET", "/v1/zones")["items"] if one["id"] == made["zone_id"])
    assert (zone["code"], zone["kind"], zone["planned_c"]) == ("T1", "vehicle", 3)
    api.as_("dispatcher").refused(
        "/v1/vehicles", {"code": "T1", "name": "Twin", "truck": truck}, 409, "vehicle-exists"
    )
    stopped = api.as_("dispatcher").made(f"/v1/vehicles/{made['id']}/deactivate")
    assert stopped["is_active"] is False
    body = {"ship_on": DAY.isoformat()}
    api.as_("dispatcher").refused("/v1/load-plans", body, 409, "no-vehicle")
    problem = api.as_("dispatcher").refused(
        "/v1/load-plans", {**body, "vehicle_ids": [made["id"]]}, 422, "invalid-input"
    )
    assert problem["errors"][0]["field"] == "vehicle_ids[0]"


def test_vehicles_of_different_build_share_a_plan_and_each_keeps_its_own_deck(api, database, clock):
    """Twelve pallets, eight places on the one and four on the other: both are needed."""
    deck = instance("deck_s1_basic")
    day = make_day(api, database, clock.now, deck)
    large = register_fleet(api, deck, 1)
    short = truck_of(deck) | {"rows": deck["truck"]["rows"][:2]}
    small = api.made("/v1/vehicles", {"code": "T9", "name": "Short", "truck": short})["id"]
    shown = plan(api, drops=day.drops)
    assert shown["status"] == "optimal"
    carried = {trip["vehicle_id"]: trip["places"] for trip in shown["trips"]}
    assert {vehicle: len(places) for vehicle, places in carried.items()} == {large[0]: 8, small: 4}
    assert max(place["row"] for place in carried[small]) == 1
    drawn = {trip["vehicle_id"]: trip["drawing"].splitlines()[0] for trip in shown["trips"]}
    assert len(drawn[small]) < len(drawn[large[0]])
    trip = next(one for one in shown["trips"] if one["vehicle_id"] == small)
    beyond = {"sscc": trip["places"][0]["sscc"], "row": 2, "lane": 0, "only_preview": True}
    api.as_("dispatcher").refused(f"/v1/trips/{trip['id']}/moves", beyond, 422, "invalid-input")
    assert api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/confirm", None)["state"] == "confirmed"


def test_a_plan_takes_what_is_ready_and_names_what_is_not(api, database, clock):
    deck = instance("deck_s1_basic")
    day = make_day(api, database, clock.now, few(deck))
    register_fleet(api, deck, 2)
    desk = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, clock.now, desk)
        pallet = make_unit(session, clock.now, desk, make_lot(session, clock.now, desk, product))
        kind = {"ship_on": DAY, "deliver_on": DAY}
        parts = make_order(session, clock.now, desk, {product.id: 10}, code="PARTS", **kind)
        make_order(session, clock.now, desk, {product.id: 500}, code="OPEN", **kind)
        picking.allocate_orders(session, clock.now, desk, picking.Chosen(order_ids=[parts.id]))
    shown = plan(api)
    assert {place["order_id"] for trip in shown["trips"] for place in trip["places"]} == set(day.drops)
    assert "Order PARTS is not in this plan: some of its cases are still to be picked." in shown["reasons"]
    assert "Order OPEN is not in this plan: it is not allocated." in shown["reasons"]
    refused = {"ship_on": DAY.isoformat(), "drops": [parts.id]}
    api.as_("dispatcher").refused("/v1/load-plans", refused, 409, "order-not-ready")
    with database.transaction() as session:
        pick_orders(session, clock.now, desk, api.callers["picker"], [parts.id])
    shown = plan(api, drops=[*day.drops, parts.id])
    place = next(
        place for trip in shown["trips"] for place in trip["places"] if place["order_id"] == parts.id
    )
    # The order's own pallet, not the one it was taken from: ten cases and a pallet's tare.
    assert place["sscc"] != pallet.sscc
    assert place["mass_kg"] == pytest.approx(10 * product.case_mass_kg + product.pallet_tare_kg)


def test_two_orders_of_one_customer_are_one_drop(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    desk = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(
            session,
            clock.now,
            desk,
            cases_per_layer=1,
            layers_per_pallet=1,
            case_mass_kg=300,
            footprint="1000x1200",
        )
        make_unit(session, clock.now, desk, make_lot(session, clock.now, desk, product), cases=1)
        first = customer_by_code(session, desk.site_id, deck["stops"][0]["id"])
        more = make_order(session, clock.now, desk, {product.id: 1}, first, ship_on=DAY, deliver_on=DAY)
        picking.allocate_orders(session, clock.now, desk, picking.Chosen(order_ids=[more.id]))
    # Not picked yet, but taken whole: the pallet exists and can be planned.
    shown = plan(api, drops=[*day.drops, more.id])
    assert shown["visits"] == len(day.drops)
    drops = {place["order_id"]: place["drop"] for trip in shown["trips"] for place in trip["places"]}
    assert drops[more.id] == drops[day.drops[0]] == 1


def test_pallets_wider_than_the_decks_places_are_refused_with_the_reason(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    make_day(api, database, clock.now, deck)
    narrow = truck_of(deck) | {"pallet": "800x1200"}
    api.made("/v1/vehicles", {"code": "T1", "name": "Narrow", "truck": narrow})
    shown = plan(api, 200)
    assert shown["status"] == "infeasible"
    assert shown["reasons"][0].startswith("footprint: 4 units")
    # Kept with its values, so that whoever reads it later reads it in their own language.
    path = f"/v1/load-plans/{shown['id']}"
    german = api.request("GET", path, headers={"Accept-Language": "de"}).json()["reasons"][0]
    assert german.startswith("Grundfläche: 4 Einheiten (die erste ist ")
    assert german.endswith("ein Fahrzeug nehmen, dessen Ladefläche dafür ausgelegt ist")
    assert api.ok("GET", f"/v1/load-plans/{shown['id']}")["trips"] == []


def test_orders_that_cannot_be_meant_are_refused_by_place(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    another_day = {"ship_on": "2026-03-18", "drops": day.drops}
    for body, field in (
        ({"drops": [2**40]}, "drops[0]"),
        ({"drops": [day.drops[0]] * 2}, "drops[1]"),
        (another_day, "drops[0]"),
    ):
        asked = {"ship_on": DAY.isoformat(), **body}
        problem = api.as_("dispatcher").refused("/v1/load-plans", asked, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field


def test_a_day_without_anything_ready_is_refused(api):
    register_fleet(api, instance("deck_s1_basic"), 1)
    api.as_("dispatcher").refused("/v1/load-plans", {"ship_on": DAY.isoformat()}, 409, "nothing-to-load")


def test_only_dispatcher_and_lead_plan_and_other_sites_see_nothing(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    make_day(api, database, clock.now, deck)
    fleet = register_fleet(api, deck, 1)
    shown = plan(api)
    for role in ("picker", "qa", "gateway", "auditor"):
        api.as_(role).refused("/v1/load-plans", {"ship_on": DAY.isoformat()}, 403, "role-missing")
    api.tokens["south"] = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    there = api.as_("south")
    trip = shown["trips"][0]["id"]
    for path in (
        f"vehicles/{fleet[0]}",
        f"load-plans/{shown['id']}",
        f"trips/{trip}",
        f"trips/{trip}/sheet",
        f"trips/{trip}/next",
    ):
        assert there.get(f"/v1/{path}").status_code == 404
    for path in (
        f"load-plans/{shown['id']}/confirm",
        f"load-plans/{shown['id']}/drop",
        f"trips/{trip}/depart",
    ):
        assert there.post(f"/v1/{path}").status_code == 404
    assert there.ok("GET", "/v1/load-plans")["items"] == there.ok("GET", "/v1/vehicles")["items"] == []


def test_others_can_write_while_a_plan_is_computed(api, database, clock):
    deck = few(instance("deck_s1_basic"))
    make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    compute, written = api.app.state.compute, []

    class Interrupted:
        """The planning process, with somebody else's write in the middle of it."""

        def run(self, work, /, *args, **kwargs):
            written.append(
                api.as_("lead").post("/v1/customers", {"code": "MEANWHILE", "name": "Invented inn"})
            )
            return compute.run(work, *args, **kwargs)

        def close(self):
            compute.close()

    api.app.state.compute = Interrupted()
    assert plan(api)["status"] == "optimal"
    assert [response.status_code for response in written] == [201]
