"""Units on top of others in a day's plan: on the deck, by hand, on paper, at the door and on the road."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import html5lib
import pytest
from sqlalchemy import select
from sqlmodel import col

from builders.fleets import SEMI, load, pallets
from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.loading.core.cargo import Cargo, CargoPart
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.day import checked_truck, day_request
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.problem import problem_of
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.stacking import paired, places_needed, taken_apart
from rimekeep.loading.tables import LoadPlanRow
from rimekeep.stock.tables import Product

BASIC = few(instance("deck_s1_basic"))
# One lane of four places under 2450 mm.
TRUCK = BASIC["truck"] | {
    "rows": [{"x_mm": x_mm, "lanes": 1} for x_mm in (500, 1500, 2500, 3500)],
    "body_height_mm": 2600,
    "roof_gap_mm": 150,
}
# With its wood a case of 1056 mm is 1200 mm high. Only what goes to A may go on top, and only of what goes to B.
LIGHT = {"class": "chilled", "weight_kg": 300, "case_height_mm": 1056, "stop": "A"}
STRONG = {"class": "chilled", "weight_kg": 600, "case_height_mm": 1056, "crush_limit_kg": 500, "stop": "B"}
GOODS = [LIGHT] * 3 + [STRONG] * 2
DECK = BASIC | {"truck": TRUCK, "pallets": [one | {"id": f"P{k}"} for k, one in enumerate(GOODS)]}


def planned(api, database, clock, **asked):
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 2)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, **asked}
    return api.as_("dispatcher").made("/v1/load-plans", body)


def at(trip):
    """Return SSCCs by place and tier."""
    return {(place["row"], place["tier"]): place["sscc"] for place in trip["places"]}


def cargo(count: int, cases: int = 12, **facts) -> list[Cargo]:
    # Three layers of four cases: 144 + 3 * 300 mm high, 20 + 12 * 10 kg.
    known = {"cases_per_layer": 4, "case_height_mm": 300.0, "crush_limit_kg": 60.0} | facts
    part = CargoPart(1, cases, 10, 20, 2, 6, "800x1200", **known)
    return [Cargo(k, f"U{k}", 1, "A", (part,)) for k in range(count)]


def test_height_and_strength_of_a_unit_come_of_its_layers():
    (full,) = cargo(1)
    # Reckoned by hand: a case bears 60 kg, of which two layers over it take 20; four of them stand in a layer.
    assert (full.height_mm, full.top_max_kg, full.mass_kg) == (1044, 160, 140)
    (broken,) = cargo(1, cases=11)
    assert (broken.height_mm, broken.top_max_kg) == (1044, 0)
    (unknown,) = cargo(1, case_height_mm=None)
    assert unknown.height_mm == 0
    (crushed,) = cargo(1, crush_limit_kg=20.0)
    assert crushed.top_max_kg == 0
    one, other = (
        CargoPart(1, 4, 10, 20, 2, 6, "800x1200", 4, 300.0, 60.0),
        CargoPart(2, 5, 10, 20, 2, 6, "800x1200", 4, 200.0, 60.0),
    )
    mixed = Cargo(1, "U1", 1, "A", (one, other))
    assert (mixed.height_mm, mixed.top_max_kg) == (144 + 300 + 2 * 200, 0)


@pytest.mark.parametrize(
    ("facts", "change", "vehicles"),
    [
        ({}, {}, 1),
        ({}, {"roof_gap_mm": 512}, 1),
        ({}, {"roof_gap_mm": 513}, 2),  # 2 * 1044 mm under 2087
        ({}, {"door_height_mm": 2087}, 2),
        ({}, {"body_height_mm": None, "roof_gap_mm": None}, 2),  # nobody said how high it is
        ({"crush_limit_kg": 55.0}, {}, 1),
        ({"crush_limit_kg": 54.9}, {}, 2),  # 140 kg on 4 * 34.9
        ({"crush_limit_kg": None}, {}, 2),
        ({"case_height_mm": None}, {}, 2),
    ],
)
def test_eight_units_of_a_day_stand_on_four_places_where_data_allow(facts, change, vehicles):
    kept = {key: value for key, value in change.items() if value is not None}
    gone = [key for key, value in change.items() if value is None]
    truck = {key: value for key, value in (TRUCK | kept).items() if key not in gone}
    data = {key: value for key, value in truck.items() if key not in ("name", "available")}
    goods = cargo(8, **facts)
    asked = day_request(
        [(checked_truck(data), 4)], name="day", stops=["A"], cargo=goods, max_stops_per_trip=None
    )
    plan = plan_loads(load_request(asked))
    assert (plan.status, len(plan.vehicles)) == ("optimal", vehicles)


def test_no_more_is_stacked_than_spares_a_vehicle():
    """Eight places: eight pallets stand side by side, nine make one stack, as counted by hand."""
    high = SEMI | {"body_height_mm": 2600, "pallet": "800x1200"}
    goods = {"height_mm": 1200, "top_max_kg": 500, "stackable": True, "footprint": "800x1200"}
    for count, stacks in ((8, 0), (9, 1), (11, 3)):
        request = load_request(load([high], pallets("A", count, 200, **goods)))
        plan = plan_loads(request)
        assert check_plan(request, plan.placed, plan.trucks) == []
        (vehicle,) = plan.vehicles
        shared = Counter((place.row, place.lane) for place in vehicle.placements)
        assert Counter(shared.values()) == Counter({1: 8 - stacks, 2: stacks} if stacks else {1: 8})
        assert sum(place.tier for place in vehicle.placements) == stacks


def test_units_stay_on_the_deck_where_the_dispatcher_wants_no_stacks(api, database, clock):
    plan = planned(api, database, clock, stacks=False)
    assert (plan["status"], len(plan["trips"])) == ("optimal", 2)
    assert all(place["tier"] == 0 for trip in plan["trips"] for place in trip["places"])


def test_a_stack_on_what_is_known_by_now_to_bear_less_is_not_confirmed(api, database, clock):
    plan = planned(api, database, clock)
    with database.transaction() as session:
        for product in session.scalars(select(Product).where(col(Product.crush_limit_kg) == 500)):
            product.crush_limit_kg = 299
    desk = api.as_("dispatcher")
    desk.refused(f"/v1/load-plans/{plan['id']}/confirm", None, 409, "plan-outdated")


def test_stacked_unit_is_moved_by_hand_from_the_top_down(api, database, clock):
    plan = planned(api, database, clock)
    desk = api.as_("dispatcher")
    (trip,) = plan["trips"]
    # Reckoned by hand: B's two are ahead, and what goes to A can only be reached on the hindmost of them.
    spots = at(trip)
    assert (plan["status"], sorted(spots)) == ("optimal", [(0, 0), (1, 0), (1, 1), (2, 0), (3, 0)])
    assert "two marks with /: the second stands on top of the first" in trip["drawing"]
    assert "|2 2/1 1 1" in " ".join(trip["drawing"].split()).replace("| ", "|")
    address = f"/v1/trips/{trip['id']}/moves"
    lower, upper, hind = spots[1, 0], spots[1, 1], spots[3, 0]

    for row in (0, 3):
        problem = desk.refused(address, {"sscc": lower, "row": row, "lane": 0}, 409, "unit-beneath")
        assert problem["data"] == {"sscc": lower, "on_top": upper}
    problem = desk.refused(address, {"sscc": hind, "row": 1, "lane": 0}, 409, "unit-beneath")
    assert problem["data"]["on_top"] == upper
    # What goes to A bears nothing, and what stands on the foremost unit cannot be reached.
    for row, kind in ((2, "place_taken"), (0, "drop_order")):
        wanted = {"sscc": hind, "row": row, "lane": 0, "tier": 1, "only_preview": True}
        assert kind in {one["kind"] for one in desk.made(address, wanted)["violations"]}
    desk.refused(address, {"sscc": hind, "row": 3, "lane": 0, "tier": 1}, 409, "no-unit-beneath")

    # The upper one changes places with one on the deck, and back, onto the lower one.
    moved = desk.made(address, {"sscc": upper, "row": 3, "lane": 0})
    assert (moved["is_made"], moved["swapped_with"]) == (True, hind)
    assert at(desk.ok("GET", f"/v1/trips/{trip['id']}")) == spots | {(1, 1): hind, (3, 0): upper}
    moved = desk.made(address, {"sscc": upper, "row": 1, "lane": 0, "tier": 1})
    assert (moved["is_made"], moved["swapped_with"]) == (True, hind)
    assert at(desk.ok("GET", f"/v1/trips/{trip['id']}")) == spots
    assert {change["limit"] for change in moved["changes"][0]["limits"]}


def test_stack_is_loaded_from_below_and_what_is_refused_of_it_is_lifted_off(api, database, clock):
    plan = planned(api, database, clock)
    desk, floor = api.as_("dispatcher"), api.as_("picker")
    (trip,) = plan["trips"]
    spots, address = at(trip), f"/v1/trips/{trip['id']}"
    lower, upper = spots[1, 0], spots[1, 1]
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")

    sheet = desk.get(f"{address}/sheet").text
    assert "1 on top" in sheet
    assert "1 below" in sheet
    assert "1 unit stands on top of others" in sheet
    assert "(0.3 between the units of a stack)" in sheet
    # Forward the lower unit's own row leans on the one ahead, whose unit is lower than the stack's centre.
    held = desk.ok("GET", f"{address}/securing")
    (row,) = [row for row in held["states"][0]["rows"] if row["above"]]
    assert (row["row"], row["above"]["units"], row["above"]["mass_kg"]) == (1, 1, 300)
    # By hand: (0.8 − 0.3) × 300 × 9.81 × 1.25 over 2 × 0.3 sin 60° × 3000 N is 1.2.
    assert row["above"]["lashings"]["forward"] == 2
    assert row["lashings_needed"] >= row["above"]["lashings"]["forward"]
    assert f"Row 2: {row['text'][7:][row['text'][7:].index('On top') :]}" in " ".join(sheet.split())
    frost = desk.ok("GET", f"{address}/securing?condition=frost")
    assert (held["friction_between"], frost["friction_between"]) == (0.3, 0.2)
    page = desk.get(f"{address}/sheet.html").text
    assert "on top" in page
    assert all(sscc[-6:] in page for sscc in spots.values())
    assert desk.get(f"{address}/sheet.pdf").status_code == 200
    notes = desk.get(f"{address}/delivery-notes.html").text
    assert f"{upper}, on top" in notes
    assert f"{lower}, on top" not in notes
    assert desk.get(f"{address}/delivery-notes.pdf").status_code == 200

    loaded = []
    for sscc in (spots[0, 0], lower):
        (due,) = api.ok("GET", f"{address}/next")["next"]
        assert (due["sscc"], due["tier"]) == (sscc, 0)
        if sscc == lower:
            # No word of anybody puts a unit on one that is not there.
            wanted = {"scan": upper, "overrule": "the other one is late"}
            problem = desk.refused(f"{address}/load", wanted, 409, "lower-first")
            assert problem["data"]["lower"] == lower
        loaded.append(floor.made(f"{address}/load", {"scan": sscc}))
    assert [(one["sscc"], one["tier"]) for one in loaded[-1]["next"]] == [(upper, 1)]
    floor.made(f"{address}/load", {"scan": upper})
    # It comes off again before the one below it.
    zone = next(zone["id"] for zone in api.ok("GET", "/v1/zones")["items"] if zone["kind"] == "staging")
    problem = floor.refused(f"{address}/unload", {"scan": lower, "zone_id": zone}, 409, "not-reachable")
    assert [one["sscc"] for one in problem["data"]["next"]] == [upper]
    for row in (2, 3):
        floor.made(f"{address}/load", {"scan": spots[row, 0]})
    desk.made(f"{address}/depart")

    clock.now += timedelta(hours=1)
    told = desk.made(f"{address}/drops/1/deliver", {"refusals": [{"sscc": upper, "reason": "wet"}]})
    assert any(f"At drop 2 take unit {upper} off first" in line for line in told["to_do"])
    assert not any("DO NOT DRIVE" in line for line in told["to_do"])
    on_board = {place["sscc"]: place for place in api.ok("GET", address)["places"] if not place["off_at"]}
    assert (on_board[upper]["tier"], on_board[lower]["tier"]) == (1, 0)
    clock.now += timedelta(hours=1)
    desk.made(f"{address}/drops/2/deliver", {})
    (left,) = [place for place in api.ok("GET", address)["places"] if not place["off_at"]]
    assert (left["sscc"], left["row"], left["tier"]) == (upper, 1, 0)


def test_the_page_shows_what_is_on_top_and_offers_to_put_a_unit_there(api, database, clock):
    (trip,) = planned(api, database, clock)["trips"]
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens["dispatcher"]})
    page = api.client.get(f"/loads/trips/{trip['id']}").text
    day = api.client.get(f"/loads?on={DAY.isoformat()}").text
    assert f'<a href="/loads/trips/{trip["id"]}#held">1 unit on top of another' in day
    api.client.cookies.clear()
    html5lib.HTMLParser(strict=True).parse(page)
    assert page.count(">▲1</text>") == 1
    assert ", on top" in page
    assert "over the stack" in page
    assert "A stack is strapped over its whole height" in page
    # On B's foremost unit there is room; on its other one stands a unit, and what goes to A bears nothing.
    offered = [row for row in range(4) if f'value="{trip["id"]}:{row}:0:1"' in page]
    assert offered == [0]


def require_legal(database, plan):
    with database.transaction(readonly=True) as session:
        request = session.scalars(select(LoadPlanRow.request).where(LoadPlanRow.id == plan["id"])).one()
    decks = [[(p["sscc"], p["row"], p["lane"]) for p in trip["places"]] for trip in plan["trips"]]
    assert check_plan(load_request(request), decks) == []


def test_a_late_order_is_stacked_where_that_spares_a_vehicle(api, database, clock):
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 2)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:1]})
    assert all(place["tier"] == 0 for trip in plan["trips"] for place in trip["places"])
    done = desk.made(f"/v1/load-plans/{plan['id']}/amend", {"orders": day.drops[1:]})
    after = desk.ok("GET", f"/v1/load-plans/{plan['id']}")
    (trip,) = after["trips"]
    assert (done["is_made"], done["vehicle_id"]) == (True, None)
    assert sum(place["tier"] for place in trip["places"]) == 1
    require_legal(database, after)


def test_a_late_order_joins_a_plan_with_stacks_and_what_is_told_to_move_is_all_that_does(
    api, database, clock
):
    stops = few(instance("deck_s1_basic"), stops=3)["stops"]
    late = STRONG | {"stop": "C", "id": "late", "weight_kg": 700, "crush_limit_kg": 700}
    day = make_day(api, database, clock.now, DECK | {"stops": stops, "pallets": [*DECK["pallets"], late]})
    register_fleet(api, DECK, 2)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:2]})
    (trip,) = plan["trips"]
    path = f"/v1/load-plans/{plan['id']}/amend"
    assert desk.made(path, {})["moved"] == []
    again = desk.ok("GET", f"/v1/load-plans/{plan['id']}")
    assert at(again["trips"][0]) == at(trip)

    done = desk.made(path, {"orders": day.drops[2:]})
    after = desk.ok("GET", f"/v1/load-plans/{plan['id']}")
    require_legal(database, after)
    assert len(after["trips"]) == 1
    now = at(after["trips"][0])
    # Counted by hand: C's place is at the front wall, and B's foremost unit, which stood there, goes on top of it.
    assert now == {**at(trip), (0, 0): day.ssccs["C"][0], (0, 1): at(trip)[0, 0]}
    assert (done["moved"], done["moved_bound"]) == ([at(trip)[0, 0]], 1)

    # Half on board, the stack stays as it is.
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    floor = api.as_("picker")
    address = f"/v1/trips/{after['trips'][0]['id']}"
    for spot in ((0, 0), (0, 1), (1, 0)):
        floor.made(f"{address}/load", {"scan": now[spot]})
    assert desk.made(path, {})["moved"] == []
    assert at(desk.ok("GET", address)) == now


def test_a_quick_yes_puts_the_lightest_on_top_and_counts_every_pallet_once():
    """Five on four places of one lane, counted by hand: one stack, the light one on the stronger of the others."""
    row = {"height_mm": 1000, "footprint": "800x1200"}
    goods = [
        *pallets("A", 1, 200, **row, stackable=True),
        *pallets("A", 4, 300, **row, top_max_kg=250, stackable=True),
    ]
    named = [one | {"id": f"P{k}"} for k, one in enumerate(goods)]
    single = SEMI | {"body_height_mm": 2600, "rows": [{"x_mm": 500 + 1000 * r, "lanes": 1} for r in range(4)]}
    problem = problem_of(load_request(load([single | {"pallet": "800x1200"}], named)))
    groups = problem.deck_groups(problem.demand)
    columns, pairs = paired(problem.deck, groups)
    assert [(one.mass_kg, one.count) for one in columns] == [(300, 3), (500, 1)]
    assert pairs == {(1, 0): 1}
    counts = ((1, 0), (0, 1), (1, 0), (1, 0))
    assert taken_apart(groups, pairs, counts) == ((0, 1), (1, 1), (0, 1), (0, 1))
    assert places_needed(problem.deck, [(group.form, group.count) for group in groups]) == 3
