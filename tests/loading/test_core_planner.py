"""The planner against deck instances whose optima other exact models proved, and its refusals."""

import copy
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.plan import LoadPlan, Placement, plan_json, vehicle_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"
DECKS: dict[str, dict[str, Any]] = {
    path.stem: json.loads(path.read_text("utf-8")) for path in sorted(FIXTURES.glob("deck_s*.json"))
}
SWITCHES = {
    "no_axle": {"has_axle_limits": False},
    "departure_only": {"has_weights_after_drops": False},
    "no_temperature": {"has_temperature": False},
    "no_lifo": {"has_drop_order": False},
}


@cache
def _plan(name: str) -> LoadPlan:
    return plan_loads(load_request(DECKS[name]))


def _deck(name: str, **truck: object) -> dict[str, Any]:
    deck = copy.deepcopy(DECKS[name])
    deck["truck"].update(truck)
    return deck


def test_all_seven_instances_are_here() -> None:
    assert len(DECKS) == 7


@pytest.mark.parametrize("name", DECKS)
def test_proven_optimum_is_reached_and_proven(name: str) -> None:
    """Own instances (CC0-1.0), optima agreed by independent exact models."""
    deck = DECKS[name]
    request = load_request(deck)
    plan = _plan(name)
    expected = deck["expected"]
    assert plan.status == expected["status"]
    if expected["status"] == "infeasible":
        return
    assert (len(plan.vehicles), plan.visits) == (expected["trucks"], expected["visits"])
    assert (plan.lower_bound, plan.visits_bound) == (expected["trucks"], expected["visits"])
    assert check_plan(request, plan.placed) == []
    assert plan.unplaced == ()
    assert plan.reasons == ()


# The large instance is left out where easing a rule leaves it as long to prove as it is.
@pytest.mark.parametrize(
    ("name", "switch"),
    [(n, s) for n in DECKS for s in SWITCHES if (n, s) != ("deck_s6_semi26", "no_temperature")],
)
def test_optimum_without_one_rule_is_reached_too(name: str, switch: str) -> None:
    """Same instances, the ``relaxations`` of each."""
    request = load_request(DECKS[name])
    eased = replace(request, rules=replace(request.rules, **SWITCHES[switch]))
    plan = plan_loads(eased)
    status, trucks, visits = DECKS[name]["relaxations"][switch]
    assert plan.status == status.lower()
    assert (len(plan.vehicles) or None, plan.visits or None) == (trucks, visits)
    if trucks:
        assert check_plan(eased, plan.placed) == []


@pytest.mark.parametrize("name", [name for name, deck in DECKS.items() if "reference_plan" in deck])
def test_reference_axle_table_is_reproduced_in_every_state(name: str) -> None:
    """Same instances, ``reference_axle_table``, to the kilogram, the empty truck included."""
    deck = DECKS[name]
    request = load_request(deck)
    assert check_plan(request, deck["reference_plan"]) == []
    for placed, table in zip(deck["reference_plan"], deck["reference_axle_table"], strict=True):
        vehicle = vehicle_plan(request, [Placement(*place) for place in placed])
        assert [state.after_seq for state in vehicle.states] == [row["after_stop_seq"] for row in table]
        for state, row in zip(vehicle.states, table, strict=True):
            assert state.payload_kg == pytest.approx(row["load"], abs=0.51)
            for axle in ("kingpin", "bogie", "front", "drive"):
                assert state.load_kg(axle) == pytest.approx(row[axle], abs=0.51)


def test_clashing_temperatures_and_one_truck_are_refused_with_the_cause_and_the_cure() -> None:
    plan = plan_loads(load_request(DECKS["deck_s5_infeasible_fleet"]))
    assert plan.lower_bound == 2
    assert plan.unplaced == ("P001", "P002", "P003", "P004")
    reason, *_ = plan.reasons
    assert reason.startswith(
        "temperature: chilled (2 to 6 °C) and ambient (10 to 25 °C) have no common setpoint"
    )
    assert "two trucks are needed and one is available" in reason
    assert "with two trucks it can be loaded" in reason


@pytest.mark.parametrize(
    ("name", "truck", "words"),
    [
        ("deck_s1_basic", {"available": 1}, ["places: 12 pallets and 8 places per truck", "two trucks"]),
        ("deck_s1_basic", {"available": 0}, ["places", "none is available"]),
        ("deck_s4_axle_after_drop", {"available": 1}, ["after a drop an axle is over its limit"]),
        ("deck_s7_lifo", {"available": 1}, ["drop order", "with two trucks it can be loaded"]),
        ("deck_s1_basic", {"available": 1, "payload_max_kg": 1000}, ["payload: 4800 kg and 1000 kg"]),
    ],
)
def test_too_few_trucks_are_refused_with_the_cause(
    name: str, truck: dict[str, int], words: list[str]
) -> None:
    if truck.get("payload_max_kg"):
        deck = _deck(name, **truck)
        deck["truck"]["rows"] = deck["truck"]["rows"] + [{"x_mm": 4500, "lanes": 4}]
    else:
        deck = _deck(name, **truck)
    plan = plan_loads(load_request(deck))
    assert plan.status == "infeasible"
    for word in words:
        assert word in plan.reasons[0]


def test_the_number_of_trucks_a_refusal_names_does_suffice() -> None:
    assert plan_loads(load_request(_deck("deck_s4_axle_after_drop", available=1))).status == "infeasible"
    assert plan_loads(load_request(_deck("deck_s4_axle_after_drop", available=2))).status == "optimal"


def test_pallet_too_heavy_for_every_place_is_named_with_what_it_may_weigh() -> None:
    deck = _deck("deck_s1_basic")
    deck["pallets"][3]["weight_kg"] = 9500
    plan = plan_loads(load_request(deck))
    assert plan.status == "infeasible"
    reason, *_ = plan.reasons
    assert "pallet P004 (9500 kg, stop A)" in reason
    # Kingpin 6500 kg at 0.857, bogie 6200 kg at 0.619 in the third row from the wall: row 3 takes the most.
    heaviest = int(reason.split("takes ")[1].split(" kg")[0])
    deck["pallets"][3]["weight_kg"] = heaviest - 1
    assert plan_loads(load_request(deck)).status == "optimal"
    deck["pallets"][3]["weight_kg"] = heaviest + 1
    assert plan_loads(load_request(deck)).status == "infeasible"


def test_stop_that_may_not_be_split_and_fits_no_truck_is_named() -> None:
    deck = _deck("deck_s1_basic")
    deck["pallets"] += [{"id": f"Q{k}", "stop": "A", "class": "chilled", "weight_kg": 400} for k in range(5)]
    deck["rules"]["split_of_stop_allowed"] = False
    plan = plan_loads(load_request(deck))
    assert plan.status == "infeasible"
    assert "stop A: its 9 pallets do not fit one truck" in plan.reasons[0]
    assert "allow it to be split" in plan.reasons[0]


def test_stops_limit_costs_trucks() -> None:
    deck = _deck("deck_s1_basic")
    deck["rules"]["max_stops_per_truck"] = 1
    plan = plan_loads(load_request(deck))
    assert (plan.status, len(plan.vehicles), plan.visits) == ("optimal", 3, 3)
    deck["truck"]["available"] = 2
    assert plan_loads(load_request(deck)).reasons[0].startswith("stops: 3 stops and 1 per truck at most")


def test_setpoint_lies_in_every_class_on_board() -> None:
    deck = DECKS["deck_s6_semi26"]
    plan = _plan("deck_s6_semi26")
    classes = {pallet["id"]: deck["temperature_classes"][pallet["class"]] for pallet in deck["pallets"]}
    for vehicle in plan.vehicles:
        on_board = [classes[place.pallet] for place in vehicle.placements]
        assert vehicle.setpoint_min_c == max(c["min_c"] for c in on_board)
        assert vehicle.setpoint_max_c == min(c["max_c"] for c in on_board)
        assert vehicle.setpoint_min_c <= vehicle.setpoint_max_c


def test_ranges_that_touch_share_a_truck() -> None:
    deck = _deck("deck_s5_infeasible_fleet")
    deck["temperature_classes"]["ambient"]["min_c"] = 6
    plan = plan_loads(load_request(deck))
    assert plan.status == "optimal"
    assert (plan.vehicles[0].setpoint_min_c, plan.vehicles[0].setpoint_max_c) == (6, 6)


@pytest.mark.parametrize("name", ["deck_s3_temperature", "deck_s6_semi26"])
def test_same_input_gives_the_same_plan(name: str) -> None:
    assert plan_loads(load_request(DECKS[name])) == _plan(name)


def test_order_of_the_pallets_does_not_change_the_count() -> None:
    deck = _deck("deck_s2_split")
    deck["pallets"].reverse()
    plan = plan_loads(load_request(deck))
    assert (plan.status, len(plan.vehicles), plan.visits) == ("optimal", 2, 4)


def test_too_little_effort_is_said_and_never_called_optimal() -> None:
    request = load_request(DECKS["deck_s6_semi26"])
    plan = plan_loads(request, effort=0.01)
    assert plan.status == "feasible"
    assert plan.lower_bound <= 3 <= len(plan.vehicles)
    assert "not ruled out" in plan.reasons[0]
    assert check_plan(request, plan.placed) == []


def test_rigid_truck_is_planned_and_its_rear_axle_binds() -> None:
    """Invented two-axle truck: 14 places, light rear axle."""
    deck = _deck("deck_s1_basic")
    deck["truck"] = {
        "kind": "rigid",
        "front_axle_x_mm": -900,
        "wheelbase_mm": 5000,
        "front_tare_kg": 4200,
        "rear_tare_kg": 3300,
        "front_max_kg": 7500,
        "rear_max_kg": 7400,
        "payload_max_kg": 9000,
        "gross_max_kg": 18_000,
        "drive_min_share_pct": 25,
        "steer_min_share_pct": 20,
        "rows": [{"x_mm": 500 + 1000 * r, "lanes": 2} for r in range(7)],
    }
    request = load_request(deck)
    plan = plan_loads(request)
    assert plan.status == "optimal"
    assert check_plan(request, plan.placed) == []
    assert len(plan.vehicles) == 1
    deck["truck"]["rear_max_kg"] = 5500
    tight = load_request(deck)
    other = plan_loads(tight)
    assert check_plan(tight, other.placed) == []
    assert len(other.vehicles) == 2


def test_least_kingpin_load_spares_the_empty_truck_only() -> None:
    deck = _deck("deck_s1_basic", K_min_kg=300)
    request = load_request(deck)
    plan = plan_loads(request)
    assert plan.status == "optimal"
    for vehicle in plan.vehicles:
        assert all(state.load_kg("kingpin") >= 300 for state in vehicle.states[:-1])
        assert vehicle.states[-1].load_kg("kingpin") == 0


def test_margin_is_at_least_that_of_the_reference_plan() -> None:
    """Same instances: with the same number of trucks the tightest axle has no less room than in the reference."""
    deck = DECKS["deck_s4_axle_after_drop"]
    request = load_request(deck)
    reference = [vehicle_plan(request, [Placement(*p) for p in placed]) for placed in deck["reference_plan"]]
    plan = plan_loads(request)
    assert min(v.margin_kg for v in plan.vehicles) >= min(v.margin_kg for v in reference)


def test_plan_as_json_is_plain_data() -> None:
    deck = DECKS["deck_s2_split"]
    plan = plan_loads(load_request(deck))
    data = json.loads(json.dumps(plan_json(plan)))
    assert list(data) == ["status", "trucks", "visits", "lower_bound", "plan", "reasons"]
    assert (data["status"], data["trucks"], data["visits"], data["lower_bound"]) == ("optimal", 2, 4, 2)
    assert sorted(place[0] for vehicle in data["plan"] for place in vehicle) == [
        p["id"] for p in deck["pallets"]
    ]
    assert check_plan(load_request(deck), data["plan"]) == []
