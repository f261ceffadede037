"""A refusal names a smallest set of rules that clash, and changes that do."""

import copy
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.explain import Explanation, eased, explain, rules_of, vehicles_of
from rimekeep.loading.core.feasible import can_load
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import LoadRequest

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"


def _deck(name: str, **truck: object) -> dict[str, Any]:
    deck: dict[str, Any] = copy.deepcopy(json.loads((FIXTURES / f"{name}.json").read_text("utf-8")))
    deck["truck"].update(truck)
    return deck


def _judge(request: LoadRequest) -> Explanation:
    """Hold an explanation to its word: all together clash, each one is needed, every change does."""
    found = explain(request, Budget(60, 0))
    assert found.is_clash
    assert found.is_smallest
    out = set(rules_of(request)) - set(found.rules)
    problem = eased(request, out)
    assert can_load(problem, Budget(60, 1), vehicles=vehicles_of(problem), most=20) is False
    for rule in found.rules:
        problem = eased(request, {*out, rule})
        assert can_load(problem, Budget(60, 1), vehicles=vehicles_of(problem), most=20) is True
    for change in found.changes:
        plan = plan_loads(change.request)
        assert plan.status != "infeasible", change.words
        assert check_plan(change.request, plan.placed) == []
        assert plan.unplaced == ()
    return found


@pytest.mark.parametrize(
    ("name", "truck", "rules"),
    [
        ("deck_s5_infeasible_fleet", {}, {"temperature", "fleet"}),
        ("deck_s1_basic", {"available": 1}, {"places", "fleet"}),
        ("deck_s7_lifo", {"available": 1}, {"drop order", "fleet"}),
    ],
)
def test_clash_of_an_instance_is_named(name: str, truck: dict[str, object], rules: set[str]) -> None:
    """Own instances: their ``relaxations`` say which rule left out would let fewer trucks do."""
    found = _judge(load_request(_deck(name, **truck)))
    assert rules <= set(found.rules)
    assert any(change.kind == "trucks" for change in found.changes)


def test_axle_that_is_passed_after_a_drop_is_named() -> None:
    """Own instance s4: two trucks, with departure alone checked one would do."""
    found = _judge(load_request(_deck("deck_s4_axle_after_drop", available=1)))
    assert "fleet" in found.rules
    assert {"drive", "kingpin", "bogie", "front", "drive_share"} & set(found.rules)


def test_pallet_too_heavy_for_any_place_may_be_lighter() -> None:
    deck = _deck("deck_s1_basic")
    deck["pallets"][3]["weight_kg"] = 9500
    request = load_request(deck)
    found = _judge(request)
    assert "fleet" not in found.rules
    (lighter,) = [change for change in found.changes if change.kind == "lighter"]
    mass_kg = next(pallet.mass_kg for pallet in lighter.request.pallets if pallet.id == "P004")
    pallets = tuple(
        replace(pallet, mass_kg=mass_kg + 10) if pallet.id == "P004" else pallet for pallet in request.pallets
    )
    assert plan_loads(replace(request, pallets=pallets)).status == "infeasible"


def test_refusal_carries_the_clash_and_the_changes_in_words() -> None:
    plan = plan_loads(load_request(_deck("deck_s1_basic", available=1)))
    clash, *changes = plan.reasons[1:]
    assert "the number of trucks" in clash
    assert "the places on the deck" in clash
    assert any("one truck more" in words for words in changes)


@st.composite
def tight_instances(draw: st.DrawFn) -> LoadRequest:
    """Return few pallets for one truck or two; about half cannot be loaded."""
    stops = draw(st.integers(1, 3))
    pallets = draw(
        st.lists(
            st.tuples(
                st.integers(0, stops - 1),
                st.sampled_from(["cold", "cellar"]),
                st.sampled_from([300, 800, 1400]),
            ),
            min_size=2,
            max_size=6,
        )
    )
    return load_request(
        {
            "truck": {
                "kind": "rigid",
                "front_axle_x_mm": -800,
                "wheelbase_mm": 3000,
                "front_tare_kg": 4000,
                "rear_tare_kg": 3000,
                "front_max_kg": draw(st.sampled_from([4800, 6000])),
                "rear_max_kg": draw(st.sampled_from([4200, 6000])),
                "payload_max_kg": draw(st.sampled_from([1500, 4000])),
                "gross_max_kg": 12_000,
                "available": draw(st.integers(1, 2)),
                "rows": [{"x_mm": 600 + 1200 * r, "lanes": 1} for r in range(3)],
            },
            "rules": {
                "split_of_stop_allowed": draw(st.booleans()),
                "max_stops_per_truck": draw(st.sampled_from([None, 1])),
            },
            "temperature_classes": {
                "cold": {"min_c": 0, "max_c": 3},
                "cellar": {"min_c": 5, "max_c": 12},
            },
            "stops": [{"id": "ABC"[s], "seq": s + 1} for s in range(stops)],
            "pallets": [
                {"id": f"P{k}", "stop": "ABC"[s], "class": name, "weight_kg": kg}
                for k, (s, name, kg) in enumerate(pallets)
            ],
        }
    )


@settings(max_examples=25, deadline=None)
@given(tight_instances())
def test_whatever_is_refused_is_explained_truly(request: LoadRequest) -> None:
    if plan_loads(request).status == "infeasible":
        _judge(request)
