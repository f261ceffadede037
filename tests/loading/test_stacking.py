"""Half pallets and pallets on top of each other: planned where product and height allow, judged, never guessed."""

import random
from collections import defaultdict
from functools import cache
from itertools import permutations, product
from typing import Any

import pytest

from builders.fleets import SEMI, load, pallets
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.plan import LoadPlan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

HIGH = SEMI | {"body_height_mm": 2600, "pallet": "800x1200"}
STACK: dict[str, Any] = {"height_mm": 1200, "top_max_kg": 500, "stackable": True, "footprint": "800x1200"}
HALF = {"footprint": "600x800"}


def _planned(deck: dict[str, Any]) -> LoadPlan:
    request = load_request(deck)
    plan = plan_loads(request)
    assert check_plan(request, plan.placed, plan.trucks) == []
    return plan


def _kinds(deck: dict[str, Any], plan: list[list[tuple[str, int, int]]]) -> set[str]:
    return {found.kind for found in check_plan(load_request(deck), plan)}


@pytest.mark.parametrize(
    ("change", "vehicles"),
    [
        ({}, 1),
        ({"height_mm": 1301}, 2),  # 2602 mm under 2600
        ({"top_max_kg": 299}, 2),  # 300 kg on top
        ({"stackable": False}, 2),
        ({"height_mm": None}, 2),  # not known: not stacked
    ],
)
def test_sixteen_pallets_stand_on_eight_places_where_they_may_be_stacked(
    change: dict[str, Any], vehicles: int
) -> None:
    goods = {key: value for key, value in (STACK | change).items() if value is not None}
    plan = _planned(load([HIGH], pallets("A", 16, 300, **goods)))
    assert (plan.status, len(plan.vehicles)) == ("optimal", vehicles)


def test_roof_gap_counts_for_the_stack() -> None:
    goods = pallets("A", 16, 300, **STACK)
    assert len(_planned(load([HIGH | {"roof_gap_mm": 200}], goods)).vehicles) == 1
    assert len(_planned(load([HIGH | {"roof_gap_mm": 201}], goods)).vehicles) == 2
    assert len(_planned(load([HIGH | {"door_height_mm": 2399}], goods)).vehicles) == 2


def test_half_pallets_share_a_place() -> None:
    assert len(_planned(load([HIGH], pallets("A", 16, 300, **HALF))).vehicles) == 1
    assert len(_planned(load([HIGH], pallets("A", 17, 300, **HALF))).vehicles) == 2
    # Seven whole ones leave one place: two halves.
    whole = pallets("A", 7, 300, footprint="800x1200")
    assert len(_planned(load([HIGH], [*whole, *pallets("A", 2, 300, **HALF)])).vehicles) == 1
    assert len(_planned(load([HIGH], [*whole, *pallets("A", 3, 300, **HALF)])).vehicles) == 2


def test_places_of_unknown_size_take_one_half_pallet_each() -> None:
    assert len(_planned(load([SEMI], pallets("A", 9, 300, **HALF))).vehicles) == 2


ONE_STACK = [("P0", 0, 0), ("P1", 0, 0)]


@pytest.mark.parametrize(
    ("base", "top", "kinds"),
    [
        (STACK, STACK, set()),
        (STACK | {"top_max_kg": 200}, STACK, {"stacking"}),
        (STACK | {"height_mm": 1500}, STACK, {"stacking"}),
        (STACK, STACK | {"height_mm": 1500}, {"stacking"}),
        (STACK, {key: value for key, value in STACK.items() if key != "height_mm"}, {"stacking"}),
        (STACK, STACK | {"stackable": False}, {"place_taken"}),
        (STACK | {"top_max_kg": 0}, STACK, {"place_taken"}),
        (STACK | {"footprint": "600x800"}, STACK, {"stacking"}),
    ],
)
def test_checker_judges_every_reason_why_a_stack_may_not_be(
    base: dict[str, Any], top: dict[str, Any], kinds: set[str]
) -> None:
    deck = load([HIGH], [*pallets("A", 1, 300, **base), *pallets("A", 1, 300, **top)])
    assert _kinds(deck, [ONE_STACK]) == kinds


def test_upper_pallet_is_never_for_a_later_drop() -> None:
    deck = load([HIGH], [*pallets("A", 1, 300, **STACK), *pallets("B", 1, 300, **STACK)])
    assert _kinds(deck, [ONE_STACK]) == {"stacking"}
    assert _kinds(deck, [ONE_STACK[::-1]]) == set()
    # Eight for A and eight for B: B below, A on top, and no stack the other way round.
    full = [*pallets("A", 8, 300, **STACK), *pallets("B", 8, 300, **STACK)]
    assert len(_planned(load([HIGH], full)).vehicles) == 1


def test_three_pallets_never_share_a_place() -> None:
    deck = load([HIGH], pallets("A", 3, 300, **STACK))
    assert _kinds(deck, [[("P0", 0, 0), ("P1", 0, 0), ("P2", 0, 0)]]) == {"place_taken"}
    halves = load([HIGH], pallets("A", 3, 300, **HALF))
    assert _kinds(halves, [[("P0", 0, 0), ("P1", 0, 0), ("P2", 0, 0)]]) == {"place_taken"}


def test_stack_weighs_with_both_its_pallets() -> None:
    deck = load([HIGH | {"payload_max_kg": 599}], pallets("A", 2, 300, **STACK))
    assert _kinds(deck, [ONE_STACK]) == {"payload"}


def _instance(seed: int) -> dict[str, Any]:
    draw = random.Random(seed)
    rows = [{"x_mm": 500 + 1000 * r, "lanes": draw.choice([1, 2])} for r in range(2)]
    truck = HIGH | {"rows": rows, "drive_max_kg": draw.choice([4400, 9500])}
    goods = []
    for _ in range(draw.randint(3, 6)):
        one = {"stop": draw.choice("AB"), "weight_kg": draw.choice([200, 600])}
        if draw.random() < 0.3:
            goods.append(one | HALF)
        else:
            goods.append(
                one
                | {
                    "footprint": "800x1200",
                    "height_mm": draw.choice([1000, 1200, 1500]),
                    "top_max_kg": draw.choice([0, 300, 800]),
                    "stackable": draw.random() < 0.7,
                }
            )
    return load([truck], goods, gaps_allowed=draw.random() < 0.7)


@pytest.mark.parametrize("seed", range(30))
def test_planner_equals_enumeration(seed: int) -> None:
    """Fewest vehicles of all ways to stand up to six pallets, tried out one by one."""
    deck = _instance(seed)
    request = load_request(deck)
    plan = plan_loads(request)
    fewest = _fewest(deck)
    if fewest is None:
        assert plan.status == "infeasible"
        return
    assert plan.status == "optimal"
    assert len(plan.vehicles) == fewest
    assert check_plan(request, plan.placed, plan.trucks) == []


def test_enumeration_meets_stacks_and_halves_and_refusals() -> None:
    """Or the comparison above would say little."""
    plans = [plan_loads(load_request(_instance(seed))) for seed in range(30)]
    shared = sum(
        len(vehicle) > len({(row, lane) for _, row, lane in vehicle})
        for plan in plans
        for vehicle in plan.placed
    )
    assert shared >= 10
    assert len({len(plan.vehicles) for plan in plans}) >= 3


def _row_fits(lanes: int, some: list[dict[str, Any]]) -> tuple[bool, bool]:
    """Return whether pallets fit a row's places, and whether they can fill them all."""
    halves = sum("height_mm" not in one for one in some)
    whole = [one for one in some if "height_mm" in one]
    counts = set()
    for order in permutations(range(len(whole))):
        # Take pairs from the front of the order: lower, upper, lower, upper, then singles.
        for pairs in range(len(whole) // 2 + 1):
            stacks = [(whole[order[2 * k]], whole[order[2 * k + 1]]) for k in range(pairs)]
            if all(
                top["stackable"]
                and 0 < top["weight_kg"] <= base["top_max_kg"]
                and base["stop"] >= top["stop"]
                and base["height_mm"] + top["height_mm"] <= 2600
                for base, top in stacks
            ):
                counts.add(len(whole) - pairs + (halves + 1) // 2)
    taken = [count for count in counts if count <= lanes]
    return bool(taken), lanes in taken


def _fewest(deck: dict[str, Any]) -> int | None:
    goods, truck = deck["pallets"], deck["trucks"][0]
    lanes = [row["lanes"] for row in truck["rows"]]
    x = [row["x_mm"] for row in truck["rows"]]

    def is_legal(left: list[tuple[float, float]]) -> bool:
        load_kg = sum(kg for kg, _ in left)
        bogie = sum(kg * (at - 900) for kg, at in left) / 4200
        kingpin = load_kg - bogie
        drive = 3600 + kingpin * 3100 / 3600
        return (
            load_kg <= 9000 and 0 <= kingpin <= 6500 and drive <= truck["drive_max_kg"]
            and 5000 + kingpin * 500 / 3600 <= 7100 and 2800 + bogie <= 9000
        )  # fmt: skip

    @cache
    def fits(mask: int) -> bool:
        some = [one for k, one in enumerate(goods) if mask >> k & 1]
        for spot in product(range(len(lanes)), repeat=len(some)):
            rows = defaultdict(list)
            for one, r in zip(some, spot, strict=True):
                rows[r].append(one)
            ways = {r: _row_fits(lanes[r], rows[r]) for r in range(len(lanes))}
            if not all(fit for fit, _ in ways.values()):
                continue
            if not deck["rules"]["gaps_allowed"] and rows[1] and not ways[0][1]:
                continue
            if any(a["stop"] < b["stop"] for a in rows[0] for b in rows[1]):
                continue
            states = [
                [(one["weight_kg"], x[r]) for one, r in zip(some, spot, strict=True) if one["stop"] > after]
                for after in ("", *sorted({one["stop"] for one in some}))
            ]
            if all(is_legal(state) for state in states):
                return True
        return False

    @cache
    def best(mask: int) -> int | None:
        if not mask:
            return 0
        first, part, found = mask & -mask, mask, None
        while part:
            if part & first and fits(part):
                rest = best(mask ^ part)
                if rest is not None and (found is None or rest + 1 < found):
                    found = rest + 1
            part = (part - 1) & mask
        return found

    return best((1 << len(goods)) - 1)
