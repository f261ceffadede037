"""Several kinds of vehicle in one plan: fewest over all kinds, and every kind judged by its own statics."""

import copy
from typing import Any

import pytest

from builders.fleets import CENTRE_AXLE, FULL_TRAILER, RIGID, SEMI, TANDEM, load, pallets
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan, check_refusals
from rimekeep.loading.core.drawing import deck_drawing
from rimekeep.loading.core.plan import LoadPlan, Placement, plan_json, vehicle_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request


def _planned(deck: dict[str, Any]) -> LoadPlan:
    request = load_request(deck)
    plan = plan_loads(request)
    assert check_plan(request, plan.placed, plan.trucks) == []
    return plan


def _kinds(deck: dict[str, Any], plan: list[list[Any]], trucks: list[int] | None = None) -> set[str]:
    return {found.kind for found in check_plan(load_request(deck), plan, trucks)}


def test_larger_kind_is_taken_where_it_saves_a_vehicle() -> None:
    deck = load([RIGID, SEMI], pallets("A", 8, 400))
    plan = _planned(deck)
    assert (plan.status, plan.trucks) == ("optimal", [1])
    shown = plan_json(plan, load_request(deck))["vehicles"]
    assert [(one["truck"], one["name"]) for one in shown] == [(1, SEMI["name"])]  # type: ignore[attr-defined]


def test_one_kind_in_the_yard_does_not_serve_twice() -> None:
    """Twelve pallets: two semis would do, one semi needs a rigid beside it, 6 + 6 on rigids does too."""
    small = load([RIGID | {"available": 2}, SEMI | {"available": 1}], pallets("A", 14, 300))
    plan = _planned(small)
    assert plan.status == "optimal"
    assert sorted(plan.trucks) == [0, 1]
    none_left = load([RIGID | {"available": 0}, SEMI | {"available": 1}], pallets("A", 14, 300))
    refused = plan_loads(load_request(none_left))
    assert refused.status == "infeasible"
    assert "one is available" in refused.reasons[0]


def test_more_vehicles_of_a_kind_than_stand_in_the_yard_are_found_by_the_checker() -> None:
    deck = load([RIGID | {"available": 1}, SEMI], pallets("A", 2, 300))
    two = [[["P0", 0, 0]], [["P1", 0, 0]]]
    assert _kinds(deck, two, [0, 1]) == set()
    assert _kinds(deck, two, [0, 0]) == {"fleet"}


def test_single_kind_shows_no_vehicles_in_json() -> None:
    deck = load([SEMI], pallets("A", 2, 300))
    plan = _planned(deck)
    assert set(plan_json(plan, load_request(deck))) == {
        "status", "trucks", "visits", "lower_bound", "plan", "reasons",
    }  # fmt: skip


def test_kinds_and_one_truck_together_are_refused() -> None:
    deck = load([SEMI], pallets("A", 2, 300)) | {"truck": RIGID}
    with pytest.raises(Invalid, match="both 'truck' and 'trucks'"):
        load_request(deck)


# One pallet of 1000 kg in the middle of the trailer's second row, 1500 mm from its front wall. By hand: eye at
# -1800 and axles at 1600 are 3400 apart, so the coupling bears 1000 * 100 / 3400 = 29.41 kg. It hangs 5200 mm
# behind the front axle of a truck with 4000 mm of wheelbase: rear + 38.24, front - 8.82 kg.
CENTRE_BY_HAND = {"front": 4191.18, "rear": 3338.24, "coupling": 29.41, "trailer": 4570.59}
# Full trailer: axles at 400 and 2600, the pallet right in the middle of them.
FULL_BY_HAND = {"front": 4200, "rear": 3300, "trailer_front": 2500, "trailer_rear": 2600}


@pytest.mark.parametrize(("truck", "by_hand"), [(CENTRE_AXLE, CENTRE_BY_HAND), (FULL_TRAILER, FULL_BY_HAND)])
def test_combination_bears_what_moments_by_hand_say(truck: dict[str, Any], by_hand: dict[str, float]) -> None:
    """Moment equilibrium of beams on two supports, reckoned by hand above."""
    deck = load([truck], pallets("A", 1, 1000))
    vehicle = vehicle_plan(load_request(deck), [Placement("P0", 4, 0)])
    for name, kg in by_hand.items():
        assert vehicle.states[0].load_kg(name) == pytest.approx(kg, abs=0.01)
    limits = {"front": "front_max_kg", "rear": "rear_max_kg"}
    for name, kg in by_hand.items():
        # Empty, these bear as much or more than with this pallet, so a lower limit is no truck at all.
        is_tare = name == "front" or (name == "rear" and "trailer_rear" in by_hand)
        for slack, expected in ((0.02, set()), (-0.02, {name}))[: 0 if is_tare else 2]:
            changed = copy.deepcopy(truck)
            where = changed if name in limits else changed["trailer"]
            field = limits.get(name) or {
                "coupling": "coupling_max_kg", "trailer": "max_kg", "trailer_front": "front_max_kg",
                "trailer_rear": "rear_max_kg",
            }[name]  # fmt: skip
            where[field] = kg + slack
            assert _kinds(load([changed], pallets("A", 1, 1000)), [[["P0", 4, 0]]]) == expected


def test_each_body_has_doors_of_its_own() -> None:
    deck = load([FULL_TRAILER], [*pallets("A", 2, 300), *pallets("B", 2, 300)])
    # The truck's body holds B only, the trailer A ahead of B.
    assert _kinds(deck, [[["P0", 3, 0], ["P2", 4, 0], ["P1", 3, 1], ["P3", 0, 0]]]) == {"drop_order"}
    # B in the truck's last row is behind A of the trailer by number only.
    assert _kinds(deck, [[["P0", 3, 0], ["P1", 3, 1], ["P2", 2, 0], ["P3", 2, 1]]]) == set()


def test_drawing_shows_both_bodies() -> None:
    deck = load([FULL_TRAILER], pallets("A", 2, 300))
    request = load_request(deck)
    drawn = deck_drawing(request, vehicle_plan(request, [Placement("P0", 0, 0), Placement("P1", 5, 1)]))
    assert drawn.splitlines()[:5] == [
        "front |. . .| doors  lane 2 (right)",
        "      |1 . .|        lane 1 (left)",
        "trailer",
        "front |. . 1| doors  lane 2 (right)",
        "      |. . .|        lane 1 (left)",
    ]  # fmt: skip


def test_tandem_counts_only_its_driven_axle_for_the_driving_share() -> None:
    """A tandem of 4500 + 1000 kg, one axle driven: 2750 of 9700 kg is 28.35 %."""
    truck = TANDEM | {"rows": [{"x_mm": 3800, "lanes": 1}]}
    for least, expected in ((28.3, set()), (28.4, {"drive_share"})):
        deck = load([truck | {"drive_min_share_pct": least}], pallets("A", 1, 1000))
        assert _kinds(deck, [[["P0", 0, 0]]]) == expected
        assert plan_loads(load_request(deck)).status == ("infeasible" if expected else "optimal")


def test_heavy_pallet_goes_to_a_stop_without_dock_by_the_truck_whose_lift_takes_it() -> None:
    weak, strong = RIGID | {"tail_lift_max_kg": 800}, SEMI | {"tail_lift_max_kg": 1500}
    deck = load([weak, strong], pallets("A", 1, 1000))
    deck["stops"][0]["has_dock"] = False
    assert _planned(deck).trucks == [1]
    assert _kinds(deck, [[["P0", 0, 0]]], [0]) == {"unloading"}
    deck["trucks"] = [weak]
    plan = plan_loads(load_request(deck))
    assert plan.status == "infeasible"
    assert plan.reasons[0].startswith("tail lift: pallet P0 (stop A) weighs 1000 kg")
    assert "takes 800 kg" in plan.reasons[0]
    deck["trucks"] = [RIGID]
    assert "no truck has a tail lift or ramps" in plan_loads(load_request(deck)).reasons[0]
    assert _kinds(deck, [[["P0", 0, 0]]]) == {"unloading"}
    deck["trucks"] = [RIGID | {"has_ramps": True}]
    assert _planned(deck).status == "optimal"


def test_pallet_taller_than_door_or_roof_is_refused_with_both_figures() -> None:
    truck = RIGID | {"body_height_mm": 2400, "roof_gap_mm": 150, "door_height_mm": 2300}
    deck = load([truck], pallets("A", 1, 500, height_mm=2260))
    plan = plan_loads(load_request(deck))
    assert plan.status == "infeasible"
    assert plan.reasons[0].startswith("height: pallet P0 (stop A) is 2260 mm high")
    assert "2250 mm" in plan.reasons[0]
    assert _kinds(deck, [[["P0", 0, 0]]]) == {"height"}
    deck["pallets"][0]["height_mm"] = 2250
    assert _planned(deck).status == "optimal"
    deck["trucks"] = [truck | {"roof_gap_mm": 0}]
    deck["pallets"][0]["height_mm"] = 2301
    assert "2300 mm" in plan_loads(load_request(deck)).reasons[0]


def test_side_door_lets_an_early_drop_stand_in_front() -> None:
    """Seven pallets of a late drop fill the rear; the early drop comes out of the side of row 0."""
    goods = [*pallets("A", 2, 900), *pallets("B", 4, 300)]
    door = {"side": "left", "first_row": 0, "last_row": 0}
    truck = RIGID | {"side_doors": [door]}
    front_first = [[["P0", 0, 0], ["P1", 0, 1], *[[f"P{k + 2}", 1 + k // 2, k % 2] for k in range(4)]]]
    assert _kinds(load([RIGID], goods), front_first) == {"drop_order"}
    assert _kinds(load([truck], goods), front_first) == set()
    # The lane next to the door is left first.
    mixed = load([truck], [*pallets("A", 1, 300), *pallets("B", 1, 300), *pallets("C", 1, 300)])
    assert _kinds(mixed, [[["P0", 0, 0], ["P1", 0, 1], ["P2", 1, 0]]]) == set()
    assert _kinds(mixed, [[["P1", 0, 0], ["P0", 0, 1], ["P2", 1, 0]]]) == {"drop_order"}
    right = RIGID | {"side_doors": [door | {"side": "right"}]}
    assert _kinds(mixed | {"trucks": [right]}, [[["P1", 0, 0], ["P0", 0, 1], ["P2", 1, 0]]]) == set()


def test_refused_goods_ride_along_and_are_weighed_in_every_later_state() -> None:
    """
    Two of 2000 kg for A in row 3 (3500 mm), two of 1000 kg for B in row 0 (500 mm).

    By hand, the bogie 5100 mm from the wall: A refused whole leaves 4000 * 1600 / 4200 = 1523.8 kg on the
    kingpin and 2800 + 4000 - 1523.8 = 5276.2 kg on the bogie, which bears 5085.7 kg at departure. One of A
    alone leaves 761.9 kg on the kingpin, one of B 1095.2 kg.
    """
    truck = SEMI | {"K_min_kg": 1000, "bogie_max_kg": 5200}
    deck = load([truck], [*pallets("A", 2, 2000), *pallets("B", 2, 1000)])
    plan = [[("P0", 3, 0), ("P1", 3, 1), ("P2", 0, 0), ("P3", 0, 1)]]
    request = load_request(deck)
    assert check_plan(request, plan) == []
    found = check_refusals(request, plan)
    assert {(one.kind, one.after_stop, one.refused) for one in found} == {
        ("bogie", "B", ("P0", "P1")),
        ("kingpin_min", "B", ("P0",)),
        ("kingpin_min", "B", ("P1",)),
    }
    assert found[0].text.startswith("If the goods for A are refused: Bogie after the drop at B: 5276.2 kg")
