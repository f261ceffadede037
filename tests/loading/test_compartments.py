"""Compartments with movable bulkheads: goods that share no air share a vehicle, never a compartment."""

import random
from functools import cache
from itertools import combinations, pairwise, product
from typing import Any

import pytest

from builders.fleets import FULL_TRAILER, SEMI, load, pallets
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.deck import DeckGroup, can_be_parted
from rimekeep.loading.core.divided_planner import plan_sparing
from rimekeep.loading.core.drawing import deck_drawing
from rimekeep.loading.core.plan import LoadPlan, plan_json
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.problem import problem_of
from rimekeep.loading.core.request import load_request

TWO = SEMI | {"compartments": 2}
BOTH = [*pallets("A", 3, 300), *pallets("A", 3, 300, **{"class": "cellar"})]


def _planned(deck: dict[str, Any]) -> LoadPlan:
    request = load_request(deck)
    plan = plan_loads(request)
    assert check_plan(request, plan.placed, plan.trucks) == []
    return plan


def test_clashing_goods_share_a_vehicle_only_in_compartments() -> None:
    assert len(_planned(load([TWO], BOTH)).vehicles) == 2
    deck = load([TWO], BOTH, single_compartment=False)
    plan = _planned(deck)
    assert (plan.status, len(plan.vehicles), plan.lower_bound) == ("optimal", 1, 1)
    ranges = [(one.setpoint_min_c, one.setpoint_max_c) for one in plan.vehicles[0].compartments]
    assert sorted(ranges) == [(2, 6), (8, 14)]
    shown = plan_json(plan, load_request(deck))["vehicles"]
    assert len(shown[0]["compartments"]) == 2  # type: ignore[index]
    drawn = deck_drawing(load_request(deck), plan.vehicles[0])
    assert "air 2 to 6 °C" in drawn
    assert "air 8 to 14 °C" in drawn


def test_bodies_of_a_combination_are_compartments() -> None:
    plan = _planned(load([FULL_TRAILER], BOTH, single_compartment=False))
    assert (plan.status, len(plan.vehicles)) == ("optimal", 1)
    assert len(plan.vehicles[0].compartments) == 2


def test_bulkhead_stands_only_where_it_may() -> None:
    """Five chilled and one from the cellar: behind row 1 there are four places, behind row 2 six."""
    goods = [*pallets("A", 5, 300), *pallets("A", 1, 300, **{"class": "cellar"})]
    for rows, count in (([2], 1), ([1], 2), ([0], 1)):
        deck = load([TWO | {"bulkhead_after_rows": rows}], goods, single_compartment=False)
        plan = _planned(deck)
        assert len(plan.vehicles) == count, rows
    # Row 1 holds both.
    mixed = [[("P0", 0, 0), ("P1", 0, 1), ("P2", 1, 0), ("P5", 1, 1), ("P3", 2, 0), ("P4", 2, 1)]]
    found = check_plan(load_request(deck), mixed)
    assert {one.kind for one in found} == {"temperature"}


def test_three_layers_need_three_compartments() -> None:
    deck = load([TWO], [*pallets("A", 3, 300), *pallets("A", 2, 300, **{"class": "cellar"})])
    deck["rules"] = {"single_compartment": False}
    sandwich = [[("P0", 0, 0), ("P1", 0, 1), ("P3", 1, 0), ("P4", 1, 1), ("P2", 2, 0)]]
    (found,) = check_plan(load_request(deck), sandwich)
    assert (found.kind, found.figure, found.limit) == ("temperature", 3, 2)
    deck["trucks"] = [SEMI | {"compartments": 3}]
    assert check_plan(load_request(deck), sandwich) == []


def test_drop_order_holds_through_the_bulkhead() -> None:
    """The early drop is chilled and ahead of the later one's cellar goods: it cannot come out."""
    goods = [*pallets("A", 1, 300), *pallets("B", 1, 300, **{"class": "cellar"})]
    request = load_request(load([TWO], goods, single_compartment=False))
    found = check_plan(request, [[("P0", 0, 0), ("P1", 2, 0)]])
    assert {one.kind for one in found} == {"drop_order"}


def test_compartments_nobody_described_are_not_guessed() -> None:
    with pytest.raises(Invalid) as caught:
        load_request(load([SEMI], BOTH, single_compartment=False))
    (fault,) = caught.value.faults
    assert fault.field == "rules.single_compartment"
    assert "compartments" in fault.mend


@pytest.mark.parametrize("seed", range(30))
def test_planner_equals_enumeration(seed: int) -> None:
    """Fewest vehicles of all ways to put up to six pallets into rows and compartments, tried out one by one."""
    draw = random.Random(seed)
    rows = [{"x_mm": 500 + 1000 * r, "lanes": draw.choice([1, 2])} for r in range(draw.choice([2, 3]))]
    truck = SEMI | {"rows": rows, "compartments": 2}
    if draw.random() < 0.5:
        truck["bulkhead_after_rows"] = [draw.randrange(len(rows) - 1)]
    goods = [
        {"stop": draw.choice("AB"), "weight_kg": 300, "class": draw.choice(["chilled", "cellar"])}
        for _ in range(draw.randint(2, 6))
    ]
    deck = load([truck], goods, single_compartment=False)
    plan = _planned(deck)
    assert plan.status == "optimal"
    assert len(plan.vehicles) == _fewest(deck)


def _fewest(deck: dict[str, Any]) -> int:
    goods, truck = deck["pallets"], deck["trucks"][0]
    lanes = [row["lanes"] for row in truck["rows"]]
    cuts = truck.get("bulkhead_after_rows", list(range(len(lanes) - 1)))

    @cache
    def fits(mask: int) -> bool:
        some = [one for k, one in enumerate(goods) if mask >> k & 1]
        for spot in product(range(len(lanes)), repeat=len(some)):
            if any(spot.count(r) > n for r, n in enumerate(lanes)):
                continue
            placed = sorted(zip(spot, (one["stop"] for one in some), strict=True), key=lambda one: one[0])
            # Later drops ahead, row by row; within a row all are reached.
            if any(a[0] < b[0] and a[1] < b[1] for a, b in product(placed, placed)):
                continue
            airs = [
                {one["class"] for one, r in zip(some, spot, strict=True) if r == row}
                for row in range(len(lanes))
            ]
            for cut in (None, *cuts):
                parts = (
                    [set().union(*airs)]
                    if cut is None
                    else [set().union(*airs[: cut + 1]), set().union(*airs[cut + 1 :])]
                )
                if all(len(part) <= 1 for part in parts):
                    return True
        return False

    @cache
    def best(mask: int) -> int:
        if not mask:
            return 0
        first = mask & -mask
        part, found = mask, 99
        while part:
            if part & first and fits(part):
                found = min(found, 1 + best(mask ^ part))
            part = (part - 1) & mask
        return found

    return best((1 << len(goods)) - 1)


def test_a_truck_of_one_air_is_never_divided_beside_others_that_are() -> None:
    """One that may be divided takes both classes; where none may, two are needed, a combination included."""
    for airs, count in ((None, 1), (2, 1), (1, 2)):
        truck = TWO | ({"airs": airs} if airs else {})
        away = TWO | {"available": 0}
        request = load_request(load([truck, SEMI | {"airs": 1}, away], BOTH, single_compartment=False))
        plan = plan_loads(request)
        taken = [[(p.pallet, p.row, p.lane) for p in one.placements] for one in plan.vehicles]
        assert check_plan(request, taken, plan.trucks) == []
        assert len(plan.vehicles) == count
    whole = FULL_TRAILER | {"airs": 1}
    request = load_request(load([TWO, whole], BOTH, single_compartment=False))
    both = [[("P0", 0, 0), ("P1", 0, 1), ("P2", 1, 0), ("P3", 3, 0), ("P4", 3, 1), ("P5", 4, 0)]]
    # The trailer's rows are a body of their own, and the air is one all the same.
    assert {one.kind for one in check_plan(request, both, [1])} >= {"temperature"}


GOOD_ROOMS = [(0, 1, 2.0, 6.0), (2, 3, 8.0, 14.0)]


@pytest.mark.parametrize(
    ("truck", "rooms", "words"),
    [
        (TWO, GOOD_ROOMS, None),
        (TWO, [(0, 1, 3.0, 5.0), (2, 3, 10.0, 10.0)], None),
        (TWO, [], None),
        (TWO, [(0, 0, 2.0, 6.0), (1, 3, 8.0, 14.0)], "row 2 may travel at 2 to 6"),
        (TWO, [(0, 1, 2.0, 7.0), (2, 3, 8.0, 14.0)], "is told 2 to 7"),
        (TWO, [(0, 1, 2.0, 6.0), (3, 3, 8.0, 14.0)], "does not follow"),
        (TWO, [(0, 1, 2.0, 6.0)], "is in no compartment"),
        (TWO, [(0, 0, 2.0, 6.0), (1, 1, 2.0, 6.0), (2, 3, 8.0, 14.0)], "and it has 2"),
        (TWO | {"bulkhead_after_rows": [0, 2]}, GOOD_ROOMS, "behind row 2, where none may stand"),
        (TWO | {"airs": 1}, GOOD_ROOMS, "and has one air"),
    ],
)
def test_compartments_a_plan_tells_are_judged_by_the_checker(
    truck: dict[str, Any], rooms: list[tuple[int, int, float, float]], words: str | None
) -> None:
    request = load_request(load([truck, TWO], BOTH, single_compartment=False))
    deck = [("P0", 0, 0), ("P1", 0, 1), ("P2", 1, 0), ("P3", 2, 0), ("P4", 2, 1), ("P5", 3, 0)]
    found = [one.text for one in check_plan(request, [deck], [0], rooms=[rooms]) if one.kind == "compartment"]
    if words is None:
        assert found == []
    else:
        assert any(words in text for text in found), found


@pytest.mark.parametrize("seed", range(12))
def test_compartments_told_hold_what_stands_in_them(seed: int) -> None:
    """Three classes of overlapping ranges on up to three compartments, judged as they are told."""
    draw = random.Random(seed)
    truck = SEMI | {"compartments": draw.choice([2, 3])}
    if draw.random() < 0.5:
        truck["bulkhead_after_rows"] = sorted(draw.sample(range(3), 2))
    deck = load([truck], [])
    deck["rules"] = {"single_compartment": False}
    deck["stops"] = [{"id": "A", "seq": 1}, {"id": "B", "seq": 2}]
    deck["temperature_classes"] = {
        "a": {"min_c": 0, "max_c": 4}, "b": {"min_c": 3, "max_c": 8}, "c": {"min_c": 8, "max_c": 12},
    }  # fmt: skip
    deck["pallets"] = [
        {"id": f"P{k}", "stop": draw.choice("AB"), "weight_kg": 200, "class": draw.choice("abc")}
        for k in range(draw.randint(3, 9))
    ]
    request = load_request(deck)
    plan = plan_loads(request)
    rooms = [
        [
            (one.first_row, one.last_row, one.setpoint_min_c, one.setpoint_max_c)
            for one in vehicle.compartments
        ]
        for vehicle in plan.vehicles
    ]
    assert plan.vehicles
    assert check_plan(request, plan.placed, plan.trucks, rooms=rooms) == []


def test_vehicles_are_divided_only_where_that_spares_one() -> None:
    """Three of each kind go on one truck of eight places; eight of each fill two, and nothing parts them."""
    spared = plan_sparing(load_request(load([TWO], BOTH, single_compartment=False))).plan
    assert (spared.status, len(spared.vehicles), len(spared.vehicles[0].compartments)) == ("optimal", 1, 2)
    full = [*pallets("A", 8, 300), *pallets("B", 8, 300, **{"class": "cellar"})]
    whole = plan_sparing(load_request(load([TWO], full, single_compartment=False))).plan
    assert (whole.status, len(whole.vehicles), whole.lower_bound, whole.visits) == ("optimal", 2, 2, 2)
    assert [one.compartments for one in whole.vehicles] == [(), ()]
    # Where only one stands in the yard nothing else is tried.
    alone = load_request(load([TWO | {"available": 1}], BOTH, single_compartment=False))
    assert len(plan_sparing(alone).plan.vehicles) == 1
    # Two visits to each stop where one would do: that division spares no visit is not claimed.
    both = [
        *pallets("A", 4, 300), *pallets("B", 4, 300),
        *pallets("A", 4, 300, **{"class": "cellar"}), *pallets("B", 4, 300, **{"class": "cellar"}),
    ]  # fmt: skip
    found = plan_sparing(load_request(load([TWO], both, single_compartment=False))).plan
    assert (found.status, len(found.vehicles), found.visits, found.visits_bound) == ("feasible", 2, 4, 2)
    assert any("whether fewer visits would do is not proven" in one for one in found.reasons)


@pytest.mark.parametrize("seed", range(40))
def test_a_deck_can_be_parted_exactly_where_trying_every_bulkhead_says_so(seed: int) -> None:
    draw = random.Random(seed)
    rows = 5
    cuts = draw.choice([None, tuple(sorted(draw.sample(range(rows - 1), 2)))])
    most = draw.choice([2, 3])
    truck = SEMI | {"rows": [{"x_mm": 500 + 1000 * r, "lanes": 2} for r in range(rows)], "compartments": most}
    truck |= {} if cuts is None else {"bulkhead_after_rows": list(cuts)}
    goods = [{"stop": "A", "weight_kg": 300, "class": name} for name in ("chilled", "cellar")]
    deck = problem_of(load_request(load([truck], goods, single_compartment=False))).deck
    groups = [DeckGroup(1, 300, 9, temperature_class=name) for name in ("chilled", "cellar")]
    counts = tuple(draw.choice([(0, 0), (1, 0), (0, 1), (1, 0), (0, 1), (1, 1)]) for _ in range(rows))
    allowed = range(rows - 1) if cuts is None else cuts
    ways = [some for n in range(most) for some in combinations(allowed, n)]
    parts = [[counts[a + 1 : b + 1] for a, b in pairwise([-1, *some, rows - 1])] for some in ways]
    is_so = any(
        all(not (any(row[0] for row in part) and any(row[1] for row in part)) for part in way)
        for way in parts
    )
    assert can_be_parted(deck, groups, counts) == is_so
