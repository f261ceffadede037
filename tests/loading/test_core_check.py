"""The checker finds every kind of planted fault and nothing in sound plans."""

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.drawing import deck_drawing
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.violation import Violation

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"
Plan = list[list[list[Any]]]


def _deck(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((FIXTURES / f"deck_{name}.json").read_text("utf-8"))
    return loaded


def _found(deck: dict[str, Any], plan: Plan) -> list[Violation]:
    return check_plan(load_request(deck), [[(p, r, n) for p, r, n in placed] for placed in plan])


def _kinds(deck: dict[str, Any], plan: Plan) -> set[str]:
    return {violation.kind for violation in _found(deck, plan)}


Mutation = Callable[[dict[str, Any], Plan], None]


def _drop_one(_: dict[str, Any], plan: Plan) -> None:
    plan[0].pop()


def _place_twice(_: dict[str, Any], plan: Plan) -> None:
    plan[1].append([plan[0][0][0], 0, 0])


def _invent(_: dict[str, Any], plan: Plan) -> None:
    plan[1].append(["P999", 0, 0])


def _no_row(_: dict[str, Any], plan: Plan) -> None:
    plan[0][0][1] = 4


def _no_lane(_: dict[str, Any], plan: Plan) -> None:
    plan[0][0][2] = -1


def _same_place(_: dict[str, Any], plan: Plan) -> None:
    plan[0][0][1:] = plan[0][1][1:]


def _swap_drops(_: dict[str, Any], plan: Plan) -> None:
    plan[0][0][1:], plan[0][-1][1:] = plan[0][-1][1:], plan[0][0][1:]


def _few_stops(deck: dict[str, Any], _: Plan) -> None:
    deck["rules"]["max_stops_per_truck"] = 1


def _no_split(deck: dict[str, Any], plan: Plan) -> None:
    deck["rules"]["split_of_stop_allowed"] = False
    plan[1].append([plan[0].pop()[0], 3, 0])


def _no_gaps(deck: dict[str, Any], _: Plan) -> None:
    deck["rules"]["gaps_allowed"] = False


def _small_fleet(deck: dict[str, Any], _: Plan) -> None:
    deck["truck"]["available"] = 1


def _limit(key: str, value: float) -> Mutation:
    def mutate(deck: dict[str, Any], _: Plan) -> None:
        deck["truck"][key] = value

    return mutate


# Reference plan of the first instance; its axle table gives what each limit is set just below (or above).
PLANTED: list[tuple[Mutation, str]] = [
    (_drop_one, "missing"),
    (_place_twice, "twice"),
    (_invent, "unknown_pallet"),
    (_no_row, "no_place"),
    (_no_lane, "no_place"),
    (_same_place, "place_taken"),
    (_swap_drops, "drop_order"),
    (_few_stops, "stops"),
    (_no_split, "split"),
    (_no_gaps, "gap"),
    (_small_fleet, "fleet"),
    (_limit("payload_max_kg", 3199), "payload"),
    (_limit("gross_max_kg", 14_599), "gross"),
    (_limit("K_max_kg", 2361), "kingpin"),
    (_limit("K_min_kg", 1182), "kingpin_min"),
    (_limit("front_max_kg", 5327), "front"),
    (_limit("drive_max_kg", 5633), "drive"),
    (_limit("bogie_max_kg", 3637), "bogie"),
    (_limit("drive_min_share_pct", 36), "drive_share"),
    (_limit("steer_min_share_pct", 37), "steer_share"),
]


@pytest.mark.parametrize(
    ("mutate", "kind"), PLANTED, ids=[f"{kind}{k}" for k, (_, kind) in enumerate(PLANTED)]
)
def test_planted_fault_is_found_and_nothing_else(mutate: Mutation, kind: str) -> None:
    deck = _deck("s1_basic")
    plan = copy.deepcopy(deck["reference_plan"])
    assert _kinds(deck, plan) == set()
    mutate(deck, plan)
    found = _kinds(deck, plan)
    assert kind in found
    # A pallet moved for one fault may disturb neighbours of the same family, never the weights of the rest.
    if mutate not in (_swap_drops, _no_split, _invent, _place_twice, _no_row):
        assert found == {kind}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("payload_max_kg", 3200),
        ("gross_max_kg", 14_600),
        ("K_max_kg", 2362),
        ("K_min_kg", 1180),
        ("front_max_kg", 5328.1),
        ("drive_max_kg", 5634.2),
        ("bogie_max_kg", 3638.1),
    ],
)
def test_figure_at_its_limit_is_legal(key: str, value: float) -> None:
    deck = _deck("s1_basic")
    deck["truck"][key] = value
    assert _kinds(deck, deck["reference_plan"]) == set()


def test_clashing_classes_on_one_truck_are_found() -> None:
    deck = _deck("s3_temperature")
    plan = copy.deepcopy(deck["reference_plan"])
    plan[0].append([plan[2].pop(0)[0], 1, 1])
    found = [v for v in _found(deck, plan) if v.kind == "temperature"]
    assert [v.vehicle for v in found] == [0]
    assert (found[0].figure, found[0].limit) == (10, 6)


def test_overload_after_the_first_drop_is_found_in_that_state() -> None:
    """Instance s4: one truck is legal at departure and not after the first drop."""
    deck = _deck("s4_axle_after_drop")
    front_first = sorted(deck["pallets"], key=lambda p: p["id"], reverse=True)
    plan = [[[pallet["id"], k // 2, k % 2] for k, pallet in enumerate(front_first)]]
    found = _found(deck, plan)
    assert {(v.kind, v.vehicle, v.after_stop) for v in found} == {("drive", 0, "A")}
    assert found[0].figure > found[0].limit == 7000
    assert "after the drop at A" in found[0].text


def test_empty_truck_owes_no_share_and_no_kingpin_load() -> None:
    deck = _deck("s1_basic")
    deck["truck"] |= {"K_min_kg": 1100, "drive_min_share_pct": 33}
    # Empty, the drive axle holds 3600 of 11,400 kg, 31.6 %.
    assert _kinds(deck, deck["reference_plan"]) == set()


def test_rigid_axles_are_judged_by_their_own_moments() -> None:
    """One pallet over the rear axle loads the rear axle alone."""
    deck = _deck("s1_basic")
    deck["truck"] = {
        "kind": "rigid",
        "front_axle_x_mm": -1000,
        "wheelbase_mm": 5000,
        "front_tare_kg": 4000,
        "rear_tare_kg": 3000,
        "front_max_kg": 4000,
        "rear_max_kg": 3400,
        "payload_max_kg": 9000,
        "gross_max_kg": 18_000,
        "rows": [{"x_mm": 3000, "lanes": 2}, {"x_mm": 4000, "lanes": 2}],
    }
    deck["pallets"] = deck["pallets"][:1]
    assert _kinds(deck, [[["P001", 1, 0]]]) == set()
    assert _kinds(deck, [[["P001", 0, 0]]]) == {"front"}
    deck["truck"]["rear_max_kg"] = 3399
    assert _kinds(deck, [[["P001", 1, 0]]]) == {"rear"}


def test_drawing_shows_front_drops_free_places_and_every_state() -> None:
    deck = _deck("s1_basic")
    request = load_request(deck)
    vehicle = vehicle_plan(request, [Placement(*place) for place in deck["reference_plan"][1]])
    drawn = deck_drawing(request, vehicle).splitlines()
    assert drawn[0] == "front |. 1 1 .| doors  lane 2 (right)"
    assert drawn[1] == "      |. 1 1 .|        lane 1 (left)"
    assert drawn[2] == "  1  A: 4 pallets"
    assert drawn[3] == "  air 2 to 6 °C"
    assert drawn[4].startswith("  at departure: gross 13000 kg; kingpin 1181/6500")
    assert drawn[5].startswith("  after A: gross 11400 kg; kingpin 0/6500")
    both = vehicle_plan(request, [Placement(*place) for place in deck["reference_plan"][0]])
    assert deck_drawing(request, both).splitlines()[0] == "front |2 2 1 1| doors  lane 2 (right)"


def test_seen_from_above_and_driving_to_the_left_the_left_lane_is_below() -> None:
    """As on any plan view: whoever looks west has the south on the left hand."""
    deck = _deck("s1_basic")
    request = load_request(deck)
    first = deck["reference_plan"][1][0][0]
    drawn = deck_drawing(request, vehicle_plan(request, [Placement(first, 3, 0)])).splitlines()
    assert drawn[:2] == ["front |. . . .| doors  lane 2 (right)", "      |. . . 1|        lane 1 (left)"]


def test_texts_count_rows_and_lanes_from_one() -> None:
    deck = _deck("s1_basic")
    plan = copy.deepcopy(deck["reference_plan"])
    pallet, _, _ = plan[0][0]
    plan[0][0] = [pallet, 3, 2]
    text = next(one.text for one in _found(deck, plan) if one.kind == "no_place")
    assert text == f"Pallet {pallet} stands in lane 3; row 4 has lanes 1 to 2."
    plan[0][0] = [pallet, 4, 0]
    text = next(one.text for one in _found(deck, plan) if one.kind == "no_place")
    assert text == f"Pallet {pallet} stands in row 5; the deck has rows 1 to 4."


def test_planner_and_checker_are_given_the_same_number() -> None:
    """A mass of four decimals at the limit: what the planner takes for legal, the checker must too."""
    deck = _deck("s1_basic")
    deck["truck"] |= {"payload_max_kg": 1000, "available": 1}
    deck["pallets"] = [{**pallet, "weight_kg": 333.3334} for pallet in deck["pallets"][:3]]
    request = load_request(deck)
    plan = plan_loads(request)
    assert plan.status == "optimal"
    assert check_plan(request, plan.placed) == []
