"""Empties taken back at drops: their places, and what they weigh on every axle after a drop."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.decks import instances
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.plan import plan_json
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rest import Aboard, rest_of_trip
from rimekeep.loading.core.vehicle import Stowed
from rimekeep.loading.core.violation import Violation


def deck(**changes: Any) -> dict[str, Any]:
    """Return two stops on an invented rigid truck of three rows, 1 m apart, two places each."""
    truck = {
        "kind": "rigid",
        "front_axle_x_mm": -1000,
        "wheelbase_mm": 4000,
        "front_tare_kg": 3000,
        "rear_tare_kg": 2000,
        "front_max_kg": 6000,
        "rear_max_kg": 6000,
        "payload_max_kg": 5000,
        "gross_max_kg": 10_000,
        "rows": [{"x_mm": 1000 * (r + 1), "lanes": 2} for r in range(3)],
    }
    found: dict[str, Any] = {
        "truck": truck | changes.pop("truck", {}),
        "rules": {},
        "temperature_classes": {"chilled": {"min_c": 2, "max_c": 6}},
        "stops": [{"id": "A", "seq": 1}, {"id": "B", "seq": 2}],
        "pallets": [
            {"id": "P1", "stop": "A", "class": "chilled", "weight_kg": 800},
            {"id": "P2", "stop": "A", "class": "chilled", "weight_kg": 800},
            {"id": "P3", "stop": "B", "class": "chilled", "weight_kg": 800},
            {"id": "P4", "stop": "B", "class": "chilled", "weight_kg": 800},
        ],
    }
    for stop in found["stops"]:
        if stop["id"] in changes:
            stop["empties"] = changes[stop["id"]]
    return found


def kegs(places: int, mass_kg: float) -> dict[str, Any]:
    return {"kind": "keg", "pieces": 6 * places, "mass_kg": mass_kg, "places": places}


PLACED = [("P3", 0, 0), ("P4", 0, 1), ("P1", 1, 0), ("P2", 1, 1)]


def found(data: dict[str, Any], stowed: list[Stowed] | None = None) -> list[Violation]:
    return check_plan(load_request(data), [PLACED], stowed=None if stowed is None else [stowed])


def test_empties_weigh_on_the_axles_after_their_drop() -> None:
    """
    A case by hand, moments about the front axle; common practice, no source.

    After A the two pallets for B stand 2 m behind the front axle and 400 kg of empties 4 m behind it, right
    over the rear axle: it bears 2000 + 1600 * 2 / 4 + 400 = 3200 kg, the front one 3000 + 800 = 3800 kg. After
    B the empties alone are left: 2400 and 3000 kg.
    """
    data = deck(A=[kegs(1, 400)])
    for limit_kg, broken in ((3200, []), (3199.999, ["A"])):
        request = load_request(data | {"truck": data["truck"] | {"rear_max_kg": limit_kg}})
        # At departure the goods for A weigh on the rear axle too; only what comes after is looked at.
        after = [
            one.after_stop
            for one in check_plan(request, [PLACED], stowed=[[Stowed("A", 0, 2, 1)]])
            if one.kind == "rear" and one.after_stop is not None
        ]
        assert after == broken
    vehicle = plan_loads(load_request(data)).vehicles[0]
    row = next(one.row for one in vehicle.stowed)
    x_m = row + 2
    states = {state.after_stop: state for state in vehicle.states}
    gross = {state: states[state].load_kg("front") + states[state].load_kg("rear") for state in states}
    assert gross == {None: 8200, "A": 7000, "B": 5400}
    assert states["B"].load_kg("rear") == pytest.approx(2000 + 400 * x_m / 4)


def test_empties_count_for_payload_and_gross_weight() -> None:
    """3200 kg go out; A takes 1600 off and gives 2000 back, B gives 1500: 3600 kg, then 3500."""
    data = deck(A=[kegs(1, 2000)], B=[kegs(2, 1500)], truck={"payload_max_kg": 3599})
    assert [(one.kind, one.after_stop, one.figure) for one in found(data)] == [("payload", "A", 3600)]
    data["truck"] |= {"payload_max_kg": 5000, "gross_max_kg": 8600}
    assert found(data) == []
    data["truck"]["gross_max_kg"] = 8599
    assert [(one.kind, one.after_stop, one.figure) for one in found(data)] == [("gross", "A", 8600)]


def test_a_way_stays_clear_until_the_last_drop() -> None:
    """Behind B's row there are two rows, one lane of each to be filled; after B all six places are free."""
    assert found(deck(A=[kegs(2, 100)])) == []
    short = found(deck(A=[kegs(3, 100)]))
    assert [(one.kind, one.after_stop, one.figure, one.limit) for one in short] == [("empties", "A", 3, 2)]
    assert found(deck(B=[kegs(6, 100)])) == []
    assert found(deck(A=[kegs(2, 100)], B=[kegs(4, 100)])) == []
    short = found(deck(A=[kegs(2, 100)], B=[kegs(5, 100)]))
    assert [(one.kind, one.after_stop, one.figure, one.limit) for one in short] == [("empties", "B", 7, 6)]


@pytest.mark.parametrize(
    "stowed",
    [
        [],
        [Stowed("A", 0, 1, 1)],
        [Stowed("A", 0, 1, 2)],
        [Stowed("A", 0, 0, 1), Stowed("A", 0, 1, 1)],
        [Stowed("A", 0, 1, 1), Stowed("A", 0, 3, 1)],
        [Stowed("A", 0, 1, 1), Stowed("B", 0, 2, 1)],
    ],
)
def test_places_that_cannot_be_are_found(stowed: list[Stowed]) -> None:
    data = deck(A=[kegs(2, 100)])
    assert found(data, [Stowed("A", 0, 1, 1), Stowed("A", 0, 2, 1)]) == []
    assert {one.kind for one in found(data, stowed)} == {"empties"}


def test_rows_beside_a_side_door_take_none_before_the_last_drop() -> None:
    doors = {"side_doors": [{"side": "right", "first_row": 2, "last_row": 2}]}
    request = load_request(deck(A=[kegs(2, 100)], truck=doors))
    assert request.truck.side_doors
    assert [one.limit for one in check_plan(request, [PLACED]) if one.kind == "empties"] == [1]


def test_the_planner_says_why_empties_do_not_fit() -> None:
    plan = plan_loads(load_request(deck(B=[kegs(7, 100)])))
    assert plan.status == "infeasible"
    assert any("empties" in reason for reason in plan.reasons)


def test_the_planner_leaves_room_for_empties() -> None:
    """Three places of empties at A find two behind the goods for B, so B goes by a truck of its own."""
    data = deck(A=[kegs(3, 100)])
    assert len(plan_loads(load_request(deck())).vehicles) == 1
    plan = plan_loads(load_request(data))
    assert (plan.status, len(plan.vehicles)) == ("optimal", 2)
    assert check_plan(load_request(data), plan.placed, stowed=[one.stowed for one in plan.vehicles]) == []
    assert plan_json(plan)["empties"]


def test_the_driver_is_told_when_refused_goods_take_the_room() -> None:
    """Refused goods stand in row 2 to the end: row 3 is left, with one place beside the way, and none ahead."""
    request = load_request(deck(B=[kegs(2, 100)]))
    aboard = [
        Aboard(name, name, 1 if name in ("P1", "P2") else 2, row, lane, 800, name in ("P1", "P2"))
        for name, row, lane in PLACED
    ]
    rest = rest_of_trip(request, 0, aboard)
    assert [(one.figure, one.limit) for one in rest.violations if one.kind == "empties"] == [(2, 1)]
    assert any("less room for empties" in line for line in rest.lines)
    assert not any("DO NOT DRIVE" in line for line in rest.lines)


@st.composite
def days(draw: st.DrawFn) -> dict[str, Any]:
    """Return a small instance some of whose stops give something back."""
    data = draw(instances())
    for stop in data["stops"]:
        stop["empties"] = [
            kegs(draw(st.integers(1, 2)), draw(st.sampled_from([20, 100, 500, 1000])))
            for _ in range(draw(st.integers(0, 2)))
        ]
    return data


@pytest.mark.parametrize("examples", [25, pytest.param(250, marks=pytest.mark.slow)])
def test_plans_with_empties_are_good(examples: int) -> None:
    """The checker finds nothing, with the planner's own places and with places of its own."""
    carried: list[int] = []

    def judge(data: dict[str, Any]) -> None:
        request = load_request(data)
        plan = plan_loads(request, effort=0.5)
        given_back = {stop.id: sum(one.places for one in stop.empties) for stop in request.stops}
        for vehicle in plan.vehicles:
            expected = sum(given_back[stop] for stop in vehicle.stops)
            assert sum(one.places for one in vehicle.stowed) == expected
            carried.append(expected)
        if plan.status == "infeasible":
            assert plan.reasons
        else:
            assert check_plan(request, plan.placed, stowed=[one.stowed for one in plan.vehicles]) == []
            assert check_plan(request, plan.placed) == []

    settings(max_examples=examples, deadline=None, derandomize=True)(given(days())(judge))()
    assert sum(map(bool, carried)) >= 5, carried


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"kind": "barrel"}, "stops[0].empties[0].kind"),
        ({"pieces": 0}, "stops[0].empties[0].pieces"),
        ({"mass_kg": 0}, "stops[0].empties[0].mass_kg"),
        ({"mass_kg": float("nan")}, "stops[0].empties[0].mass_kg"),
        ({"places": 1.5}, "stops[0].empties[0].places"),
        ({"places": 0}, "stops[0].empties[0].places"),
        ({"mass_lb": 90}, "stops[0].empties[0].mass_lb"),
    ],
)
def test_nonsense_is_named_by_field(wrong: dict[str, Any], where: str) -> None:
    with pytest.raises(Invalid) as caught:
        load_request(deck(A=[kegs(1, 40) | wrong]))
    assert where in [fault.field for fault in caught.value.faults]


def test_masses_may_be_in_pounds() -> None:
    one = {"kind": "keg", "pieces": 3, "mass_lb": 100, "places": 1}
    assert load_request(deck(A=[one])).stops[0].empties[0].mass_kg == pytest.approx(45.359)
