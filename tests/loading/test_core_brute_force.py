"""The planner equals plain enumeration of every loading of small invented instances."""

from collections import Counter
from functools import cache
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings

from builders.decks import CLASSES, instances
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request


def _state_is_legal(truck: dict[str, Any], left: list[tuple[int, int]]) -> bool:
    """Judge pallets as (kg, x_mm) by moments in whole numbers: axle loads times span (times wheelbase)."""
    load = sum(kg for kg, _ in left)
    if truck.get("kind") == "rigid":
        span, tare = truck["wheelbase_mm"], truck["front_tare_kg"] + truck["rear_tare_kg"]
        on_rear = sum(kg * (x - truck["front_axle_x_mm"]) for kg, x in left)
        rear = truck["rear_tare_kg"] * span + on_rear
        front = truck["front_tare_kg"] * span + load * span - on_rear
        is_legal = rear <= truck["rear_max_kg"] * span and front <= truck["front_max_kg"] * span
        drive, steer, unit = rear, front, span
    else:
        span, base, lead = truck["L_s_mm"], truck["WB_mm"], truck["e_mm"]
        tare = truck["F0_kg"] + truck["D0_kg"] + truck["B0_kg"]
        on_bogie = sum(kg * (x - truck["d_k_mm"]) for kg, x in left)
        kingpin = load * span - on_bogie
        unit = span * base
        front = truck["F0_kg"] * unit + kingpin * lead
        drive = truck["D0_kg"] * unit + kingpin * (base - lead)
        steer = front
        is_legal = (
            truck["B0_kg"] * span + on_bogie <= truck["bogie_max_kg"] * span
            and kingpin <= truck["K_max_kg"] * span
            and (not left or kingpin >= truck["K_min_kg"] * span)
            and front <= truck["front_max_kg"] * unit
            and drive <= truck["drive_max_kg"] * unit
        )
    if left:
        gross = (tare + load) * unit
        is_legal = is_legal and 100 * drive >= truck["drive_min_share_pct"] * gross
        is_legal = is_legal and 100 * steer >= truck.get("steer_min_share_pct", 0) * gross
    return is_legal and load <= truck["payload_max_kg"] and tare + load <= truck["gross_max_kg"]


def _fits(deck: dict[str, Any], chosen: list[dict[str, Any]]) -> bool:
    """Try every row for every pallet."""
    truck, rules = deck["truck"], deck["rules"]
    lanes = [row["lanes"] for row in truck["rows"]]
    if len(chosen) > sum(lanes):
        return False
    if max(CLASSES[p["class"]]["min_c"] for p in chosen) > min(CLASSES[p["class"]]["max_c"] for p in chosen):
        return False
    stops = sorted({p["stop"] for p in chosen})
    if rules["max_stops_per_truck"] and len(stops) > rules["max_stops_per_truck"]:
        return False
    if not rules["split_of_stop_allowed"]:
        whole = [p["id"] for p in deck["pallets"] if p["stop"] in stops]
        if len(whole) != len(chosen):
            return False
    for rows in product(range(len(lanes)), repeat=len(chosen)):
        used = Counter(rows)
        if any(n > lanes[r] for r, n in used.items()):
            continue
        if not rules["gaps_allowed"] and any(used[r] < lanes[r] for r in range(max(rows))):
            continue
        standing = list(zip(chosen, rows, strict=True))
        if any(a["stop"] < b["stop"] and ra < rb for a, ra in standing for b, rb in standing):
            continue
        if all(
            _state_is_legal(
                truck,
                [(p["weight_kg"], truck["rows"][r]["x_mm"]) for p, r in standing if p["stop"] > after],
            )
            for after in ["", *stops]
        ):
            return True
    return False


def _fewest(deck: dict[str, Any]) -> tuple[int, int] | None:
    """Return fewest (vehicles, visits) over every partition of the pallets, None when there is none."""
    pallets = deck["pallets"]

    @cache
    def visits(mask: int) -> int | None:
        chosen = [p for k, p in enumerate(pallets) if mask >> k & 1]
        return len({p["stop"] for p in chosen}) if _fits(deck, chosen) else None

    @cache
    def best(mask: int) -> tuple[int, int] | None:
        if not mask:
            return (0, 0)
        first = mask & -mask
        rest = mask ^ first
        answers = []
        part = rest
        while True:
            own, others = visits(part | first), best(rest ^ part)
            if own is not None and others is not None:
                answers.append((others[0] + 1, others[1] + own))
            if not part:
                return min(answers, default=None)
            part = (part - 1) & rest

    return best((1 << len(pallets)) - 1)


@pytest.mark.parametrize("examples", [60, pytest.param(200, marks=pytest.mark.slow)])
def test_planner_equals_enumeration(examples: int) -> None:
    settings(max_examples=examples, deadline=None, derandomize=True)(given(instances())(judge_planner))()


def judge_planner(deck: dict[str, Any]) -> None:
    """The planner's answer is that of trying all of them out."""
    request = load_request(deck)
    plan = plan_loads(request)
    fewest = _fewest(deck)
    if fewest is None:
        assert plan.status == "infeasible"
        assert plan.reasons
    else:
        assert plan.status == "optimal"
        assert (len(plan.vehicles), plan.visits) == fewest
        assert check_plan(request, plan.placed) == []
