"""Half pallets in a day's plan: two share a place, on the deck, by hand, on paper, at the door and on the road."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import pytest

from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.loading.core.cargo import Cargo, CargoPart
from rimekeep.loading.core.day import checked_truck, day_request
from rimekeep.loading.core.plan import plan_json
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

BASIC = few(instance("deck_s1_basic"))
# One lane of four places, each 1000 × 1200 mm: room for two pallets of 600 × 800 mm.
TRUCK = BASIC["truck"] | {"rows": [{"x_mm": x_mm, "lanes": 1} for x_mm in (500, 1500, 2500, 3500)]}
HALF = {"class": "chilled", "weight_kg": 200, "footprint": "600x800"}
WHOLE = {"class": "chilled", "weight_kg": 400}
GOODS = [HALF | {"stop": "A"}] * 2 + [WHOLE | {"stop": "B"}] + [HALF | {"stop": "B"}] * 2
DECK = BASIC | {"truck": TRUCK, "pallets": [one | {"id": f"P{k}"} for k, one in enumerate(GOODS)]}


def planned(api, database, clock):
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    return api.as_("dispatcher").made("/v1/load-plans", body)


def at(trip):
    """Return how many units stand on each place taken."""
    return Counter((place["row"], place["lane"]) for place in trip["places"])


def cargo(count: int, footprint: str) -> list[Cargo]:
    part = CargoPart(1, 1, 200, 0, 2, 6, footprint)
    return [Cargo(k, f"U{k}", 1, "A", (part,)) for k in range(count)]


@pytest.mark.parametrize(
    ("footprint", "pallet", "count", "vehicles"),
    [
        ("600x800", "1000x1200", 8, 1),
        ("600x800", "1000x1200", 9, 2),
        ("600x800", "800x1200", 8, 1),
        # Whole pallets, and places of which nobody said how large they are: one to each of four places.
        ("800x1200", "1000x1200", 5, 2),
        ("600x800", None, 5, 2),
    ],
)
def test_eight_half_pallets_of_a_day_stand_on_four_places(footprint, pallet, count, vehicles):
    truck = {key: value for key, value in TRUCK.items() if key not in ("name", "pallet", "available")}
    truck = checked_truck(truck | ({"pallet": pallet} if pallet else {}))
    data = day_request(
        [(truck, 2)], name="day", stops=["A"], cargo=cargo(count, footprint), max_stops_per_trip=None
    )
    plan = plan_loads(load_request(data))
    assert (plan.status, plan_json(plan)["trucks"]) == ("optimal", vehicles)


def test_a_late_half_pallet_joins_another_on_its_place_and_what_moves_is_told(api, database, clock):
    """Counted by hand: seven halves leave one by itself, and the late one for the last stop goes with one of B."""
    stops = few(instance("deck_s1_basic"), stops=3)["stops"]
    goods = [HALF | {"stop": "A"}] * 4 + [HALF | {"stop": "B"}] * 3 + [HALF | {"stop": "C"}]
    pallets = [one | {"id": f"P{k}"} for k, one in enumerate(goods)]
    day = make_day(api, database, clock.now, DECK | {"stops": stops, "pallets": pallets})
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:2]})
    (trip,) = plan["trips"]
    before = {place["sscc"]: (place["row"], place["lane"]) for place in trip["places"]}
    done = desk.made(f"/v1/load-plans/{plan['id']}/amend", {"orders": day.drops[2:]})
    after = desk.ok("GET", f"/v1/trips/{trip['id']}")
    now = {place["sscc"]: (place["row"], place["lane"]) for place in after["places"]}
    assert sorted(at(after).values()) == [2, 2, 2, 2]
    assert sorted(done["moved"]) == sorted(sscc for sscc, spot in before.items() if now[sscc] != spot)
    assert done["moved_bound"] == len(done["moved"])
    assert now[day.ssccs["C"][0]] == (0, 0)


def test_half_pallets_share_a_place_from_the_plan_to_the_last_drop(api, database, clock):
    """Five units on four places: two pairs of halves and a whole pallet leave one place free."""
    plan = planned(api, database, clock)
    desk = api.as_("dispatcher")
    (trip,) = plan["trips"]
    assert sorted(at(trip).values()) == [1, 2, 2]
    assert "two marks on a place: two half pallets" in trip["drawing"]
    address = f"/v1/trips/{trip['id']}"
    pair = [place for place in trip["places"] if (place["drop"], place["mass_kg"]) == (2, 200)]
    home = {"row": pair[0]["row"], "lane": pair[0]["lane"]}
    free = next(row for row in (3, 2, 1, 0) if (row, 0) not in at(trip))
    aside = {"sscc": pair[0]["sscc"], "row": free, "lane": 0}

    # One of a pair goes to the free place, and back beside the other, which stays where it is.
    moved = desk.made(f"{address}/moves", aside)
    assert (moved["is_made"], moved["swapped_with"]) == (True, None)
    assert sorted(at(desk.ok("GET", address)).values()) == [1, 1, 1, 2]
    back = desk.made(f"{address}/moves", {"sscc": pair[0]["sscc"], **home})
    assert (back["is_made"], back["swapped_with"]) == (True, None)
    assert at(desk.ok("GET", address)) == at(trip)
    # A whole pallet has no room beside halves, and cannot take the places of both at once.
    (whole,) = [place for place in trip["places"] if place["mass_kg"] == 400]
    problem = desk.refused(f"{address}/moves", {"sscc": whole["sscc"], **home}, 409, "two-halves-there")
    assert set(problem["data"]["ssccs"]) == {place["sscc"] for place in pair}

    desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    sheet = desk.get(f"{address}/sheet").text
    assert sheet.count(f"{home['lane'] + 1} ½") == 4
    page = desk.get(f"{address}/sheet.html").text
    assert all(place["sscc"][-6:] in page for place in trip["places"])
    assert desk.get(f"{address}/sheet.pdf").status_code == 200

    loaded, due = [], api.ok("GET", f"{address}/next")["next"]
    while due:
        loaded.append(due[0]["sscc"])
        due = api.as_("picker").made(f"{address}/load", {"scan": due[0]["sscc"]})["next"]
    assert {*loaded[-2:]} == {place["sscc"] for place in trip["places"] if place["drop"] == 1}
    desk.made(f"{address}/depart")
    for drop, left in ((1, 3), (2, 0)):
        clock.now += timedelta(hours=1)
        desk.made(f"{address}/drops/{drop}/deliver", {})
        assert sum(place["off_at"] is None for place in api.ok("GET", address)["places"]) == left
