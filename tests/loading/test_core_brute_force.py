"""The planner equals plain enumeration of every loading of small invented instances."""

from collections import Counter
from functools import cache
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

CLASSES = {
    "cold": {"min_c": 0, "max_c": 3},
    "chilled": {"min_c": 2, "max_c": 6},
    "cellar": {"min_c": 5, "max_c": 12},
}


@st.composite
def instances(draw: st.DrawFn) -> dict[str, Any]:
    """Return a small instance whose limits bind about as often as not."""
    rows = [
        {"x_mm": 500 + 1000 * r, "lanes": lanes}
        for r, lanes in enumerate(draw(st.lists(st.integers(1, 2), min_size=2, max_size=3)))
    ]
    truck: dict[str, Any] = {
        "payload_max_kg": draw(st.sampled_from([1500, 2500, 9000])),
        "gross_max_kg": draw(st.sampled_from([13_000, 21_000])),
        "drive_min_share_pct": draw(st.sampled_from([0, 25, 33])),
        "rows": rows,
    }
    if draw(st.booleans()):
        truck |= {
            "d_k_mm": 900,
            "L_s_mm": draw(st.sampled_from([1500, 4200])),
            "WB_mm": 3600,
            "e_mm": 500,
            "F0_kg": 5000,
            "D0_kg": 3600,
            "B0_kg": 2800,
            "front_max_kg": draw(st.sampled_from([5200, 7100])),
            "drive_max_kg": draw(st.sampled_from([4800, 9500])),
            "bogie_max_kg": draw(st.sampled_from([3500, 4500, 9000])),
            "K_max_kg": 6500,
            "K_min_kg": draw(st.sampled_from([-500, 0, 300])),
        }
    else:
        truck |= {
            "kind": "rigid",
            "front_axle_x_mm": -800,
            "wheelbase_mm": 3000,
            "front_tare_kg": 4000,
            "rear_tare_kg": 3000,
            "front_max_kg": draw(st.sampled_from([4500, 7500])),
            "rear_max_kg": draw(st.sampled_from([4000, 5000, 10_000])),
            "steer_min_share_pct": draw(st.sampled_from([0, 45])),
        }
    stops = draw(st.integers(1, 3))
    pallets = draw(
        st.lists(
            st.tuples(
                st.integers(0, stops - 1), st.sampled_from(sorted(CLASSES)), st.sampled_from([300, 700, 1200])
            ),
            min_size=1,
            max_size=8,
        )
    )
    return {
        "truck": truck,
        "rules": {
            "max_stops_per_truck": draw(st.sampled_from([None, None, 1, 2])),
            "split_of_stop_allowed": draw(st.booleans()),
            "gaps_allowed": draw(st.booleans()),
        },
        "temperature_classes": CLASSES,
        "stops": [{"id": "ABC"[s], "seq": s + 1} for s in range(stops)],
        "pallets": [
            {"id": f"P{k}", "stop": "ABC"[s], "class": name, "weight_kg": kg}
            for k, (s, name, kg) in enumerate(pallets)
        ],
    }


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
