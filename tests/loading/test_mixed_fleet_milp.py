"""
Mixed fleets against a mixed integer program of its own, solved by HiGHS through scipy.

It places every pallet by name on every row of every vehicle, takes moments as beams on two supports, and
knows nothing of the planner: no counts, no boundaries between drops, no bounds.
"""

import random
from functools import cache
from itertools import count
from typing import Any

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from builders.fleets import CENTRE_AXLE, FULL_TRAILER, RIGID, SEMI, TANDEM, load
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.plan import LoadPlan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

INSTANCES = 40
_VEHICLE = 100.0


def _instance(seed: int) -> dict[str, Any]:
    """Return two or three kinds, short of vehicles about as often as not, and up to seven pallets."""
    draw = random.Random(seed)
    kinds = []
    for truck in draw.sample([SEMI, RIGID, TANDEM, CENTRE_AXLE, FULL_TRAILER], draw.choice([2, 2, 3])):
        kind = truck | {
            "available": draw.choice([None, 1, 1, 2]),
            "payload_max_kg": draw.choice([2500, 4000, 9000]),
            "drive_min_share_pct": draw.choice([0, 25, 30]),
        }
        if draw.random() < 0.5:
            kind["tail_lift_max_kg"] = draw.choice([700, 1500])
        kind["body_height_mm"] = draw.choice([2300, 2600])
        if "trailer" not in kind:
            kind["pallet"] = draw.choice(["800x1200", "1000x1200"])
            short = draw.random() < 0.4
            kind["rows"] = truck["rows"][:2] if short else truck["rows"]
        if draw.random() < 0.3 and "trailer" not in kind:
            kind["side_doors"] = [{"side": draw.choice(["left", "right"]), "first_row": 0, "last_row": 0}]
        kinds.append(kind)
    goods = [
        {
            "stop": draw.choice("ABC"),
            "weight_kg": draw.choice([300, 700, 1200, 2500]),
            "class": draw.choice(["chilled", "chilled", "cellar"]),
            "footprint": draw.choice(["800x1200", "800x1200", "1000x1200"]),
            "height_mm": draw.choice([1500, 1500, 2200, 2400]),
        }
        for _ in range(draw.randint(2, 7))
    ]
    deck = load(kinds, goods)
    for stop in deck["stops"]:
        stop["has_dock"] = draw.random() < 0.85
    return deck


@cache
def _plan(seed: int) -> LoadPlan:
    return plan_loads(load_request(_instance(seed)))


def _rows(truck: dict[str, Any]) -> list[tuple[int, float, int]]:
    """Return body, distance from its front wall, and lanes of every row."""
    rows = [(0, row["x_mm"], row["lanes"]) for row in truck["rows"]]
    if "trailer" in truck:
        rows += [(1, row["x_mm"], row["lanes"]) for row in truck["trailer"]["rows"]]
    return rows


def _on_second(x: float, first: float, second: float) -> float:
    """Return what a unit load at ``x`` puts on the second of a beam's two supports."""
    return (x - first) / (second - first)


def _limits(truck: dict[str, Any]) -> list[tuple[list[float], float]]:
    """Return ``Σ kg · factor[row] <= room`` for every limit of a truck; rooms below 0 bind loaded trucks."""
    rows = _rows(truck)
    ones = [1.0] * len(rows)
    found: list[tuple[list[float], float]] = [(ones, truck["payload_max_kg"])]
    if truck.get("kind", "semi") == "semi":
        bogie = [_on_second(x, truck["d_k_mm"], truck["d_k_mm"] + truck["L_s_mm"]) for _, x, _ in rows]
        king = [1 - share for share in bogie]
        drive = [k * (truck["WB_mm"] - truck["e_mm"]) / truck["WB_mm"] for k in king]
        front = [k - d for k, d in zip(king, drive, strict=True)]
        tare = truck["F0_kg"] + truck["D0_kg"] + truck["B0_kg"]
        found += [
            (bogie, truck["bogie_max_kg"] - truck["B0_kg"]),
            (king, truck["K_max_kg"]),
            ([-k for k in king], 0.0),
            (front, truck["front_max_kg"] - truck["F0_kg"]),
            (drive, truck["drive_max_kg"] - truck["D0_kg"]),
        ]
        driven, driven_tare = drive, truck["D0_kg"]
    else:
        front_x = truck["front_axle_x_mm"]
        rear_x = front_x + truck["wheelbase_mm"]
        tare = truck["front_tare_kg"] + truck["rear_tare_kg"]
        carried = [0.0] * len(rows)
        if "trailer" in truck:
            trailer = truck["trailer"]
            if trailer["type"] == "full":
                tare += trailer["front_tare_kg"] + trailer["rear_tare_kg"]
                back = [
                    _on_second(x, trailer["front_x_mm"], trailer["rear_x_mm"]) if body else 0.0
                    for body, x, _ in rows
                ]
                ahead = [1 - b if body else 0.0 for b, (body, _, _) in zip(back, rows, strict=True)]
                found += [
                    (back, trailer["rear_max_kg"] - trailer["rear_tare_kg"]),
                    (ahead, trailer["front_max_kg"] - trailer["front_tare_kg"]),
                ]
            else:
                tare += trailer["tare_kg"]
                axle = [
                    _on_second(x, trailer["eye_x_mm"], trailer["axle_x_mm"]) if body else 0.0
                    for body, x, _ in rows
                ]
                carried = [1 - a if body else 0.0 for a, (body, _, _) in zip(axle, rows, strict=True)]
                found += [
                    (axle, trailer["max_kg"] - trailer["tare_kg"]),
                    (carried, trailer["coupling_max_kg"]),
                    ([-c for c in carried], -trailer["coupling_min_kg"]),
                ]
        hung = _on_second(truck.get("coupling_x_mm", 0), front_x, rear_x)
        rear = [
            c * hung if body else _on_second(x, front_x, rear_x)
            for c, (body, x, _) in zip(carried, rows, strict=True)
        ]
        front = [
            c * (1 - hung) if body else 1 - r for c, r, (body, _, _) in zip(carried, rear, rows, strict=True)
        ]
        found += [
            (rear, truck["rear_max_kg"] - truck["rear_tare_kg"]),
            (front, truck["front_max_kg"] - truck["front_tare_kg"]),
        ]
        part = truck.get("driven_axles", 1) / truck.get("rear_axles", 1)
        driven, driven_tare = [part * r for r in rear], part * truck["rear_tare_kg"]
    found.append((ones, truck["gross_max_kg"] - tare))
    share = truck["drive_min_share_pct"] / 100
    found.append(([share - d for d in driven], driven_tare - share * tare))
    return found


def _may_stand(truck: dict[str, Any], pallet: dict[str, Any], *, has_dock: bool) -> bool:
    if pallet["height_mm"] > truck["body_height_mm"]:
        return False
    if not has_dock and pallet["weight_kg"] > truck.get("tail_lift_max_kg", 0):
        return False
    return "pallet" not in truck or truck["pallet"] == "1000x1200" or pallet["footprint"] == "800x1200"


def _reference(deck: dict[str, Any]) -> tuple[int, int] | None:
    """Return fewest (vehicles, visits), None when there is no plan."""
    pallets, trucks = deck["pallets"], deck["trucks"]
    seq = {stop["id"]: stop["seq"] for stop in deck["stops"]}
    dock = {stop["id"]: stop["has_dock"] for stop in deck["stops"]}
    slots = range(len(pallets))
    numbers = count()
    x, used, visit = {}, {}, {}
    for v in slots:
        for t, truck in enumerate(trucks):
            used[v, t] = next(numbers)
            for p in range(len(pallets)):
                for r in range(len(_rows(truck))):
                    x[p, v, t, r] = next(numbers)
        for stop in seq:
            visit[stop, v] = next(numbers)
    # One choice per early pallet and side door: whether it leaves that way.
    entries: list[tuple[dict[int, float], float, float]] = []
    out: dict[tuple[int, int, int], int] = {}
    for v in slots:
        for t, truck in enumerate(trucks):
            if truck.get("side_doors"):
                for p in range(len(pallets)):
                    out[p, v, t] = next(numbers)
    size = next(numbers)
    upper = np.ones(size)
    for p, pallet in enumerate(pallets):
        entries.append(({key: 1.0 for (q, _, _, _), key in x.items() if q == p}, 1, 1))
        for v in slots:
            own = {key: 1.0 for (q, w, _, _), key in x.items() if (q, w) == (p, v)}
            entries.append((own | {visit[pallet["stop"], v]: -1.0}, -np.inf, 0))
    for (p, _, t, _), key in x.items():
        if not _may_stand(trucks[t], pallets[p], has_dock=dock[pallets[p]["stop"]]):
            upper[key] = 0
    for v in slots:
        entries.append(({used[v, t]: 1.0 for t in range(len(trucks))}, 0, 1))
        if v:
            # Vehicles without use come last, and the first pallets ride on the first vehicles.
            order = {used[w, t]: 1.0 if w == v else -1.0 for w in (v - 1, v) for t in range(len(trucks))}
            entries.append((order, -np.inf, 0))
        early = {key: 1.0 for (p, w, _, _), key in x.items() if w == v and p < v}
        entries.append((early, 0, 0))
        for t, truck in enumerate(trucks):
            rows = _rows(truck)
            for r, (_, _, lanes) in enumerate(rows):
                here = {x[p, v, t, r]: 1.0 for p in range(len(pallets))}
                entries.append((here | {used[v, t]: -float(lanes)}, -np.inf, 0))
            _add_order(entries, truck, pallets, seq, {k: c for k, c in x.items() if k[1:3] == (v, t)}, out)
            for factors, room in _limits(truck):
                for after in range(len(seq) + 1):
                    left = [p for p, pallet in enumerate(pallets) if seq[pallet["stop"]] > after]
                    weight = {
                        x[p, v, t, r]: pallets[p]["weight_kg"] * factors[r]
                        for p in left
                        for r in range(len(rows))
                    }
                    if room >= 0:
                        entries.append((weight, -np.inf, room + 1e-6))
                        continue
                    for p in left:
                        loose = dict(weight)
                        for r in range(len(rows)):
                            loose[x[p, v, t, r]] += 1e5
                        entries.append((loose, -np.inf, room + 1e5 + 1e-6))
        for p, one in enumerate(pallets):
            for q in range(p):
                if one["class"] != pallets[q]["class"]:
                    both = {key: 1.0 for (k, w, _, _), key in x.items() if k in (p, q) and w == v}
                    entries.append((both, -np.inf, 1))
    for t, truck in enumerate(trucks):
        if truck["available"] is not None:
            entries.append(({used[v, t]: 1.0 for v in slots}, 0, truck["available"]))
    costs = np.zeros(size)
    costs[list(used.values())] = _VEHICLE
    costs[list(visit.values())] = 1
    matrix = coo_array(
        (
            [value for row, _, _ in entries for value in row.values()],
            (
                [k for k, (row, _, _) in enumerate(entries) for _ in row],
                [key for row, _, _ in entries for key in row],
            ),
        ),
        shape=(len(entries), size),
    )
    found = milp(
        costs,
        constraints=LinearConstraint(
            matrix, [low for _, low, _ in entries], [high for _, _, high in entries]
        ),
        bounds=Bounds(0, upper),
        integrality=np.ones(size),
        options={"time_limit": 120},
    )
    if found.status == 2:
        return None
    assert found.status == 0, found.message
    total = round(found.fun)
    return total // int(_VEHICLE), total % int(_VEHICLE)


def _add_order(
    entries: list[tuple[dict[int, float], float, float]],
    truck: dict[str, Any],
    pallets: list[dict[str, Any]],
    seq: dict[str, int],
    x: dict[tuple[int, int, int, int], int],
    out: dict[tuple[int, int, int], int],
) -> None:
    """
    Forbid a later drop behind an earlier one, unless that leaves by the side of row 0.

    That door is open to row 0 itself, whose lanes can be sorted, and to others when row 0 and all rows on the
    way hold no later drop.
    """
    v, t = next(iter(x))[1:3]
    rows = _rows(truck)
    for p, early in enumerate(pallets):
        for q, late in enumerate(pallets):
            if seq[early["stop"]] >= seq[late["stop"]]:
                continue
            for r, (body, _, _) in enumerate(rows):
                behind = {
                    x[q, v, t, s]: 1.0 for s, (other, _, _) in enumerate(rows) if s > r and other == body
                }
                side = {out[p, v, t]: -1.0} if (p, v, t) in out else {}
                entries.append((behind | {x[p, v, t, r]: 1.0} | side, -np.inf, 1))
                if side and r > 0:
                    ahead = {x[q, v, t, s]: 1.0 for s in range(r)}
                    entries.append((ahead | {x[p, v, t, r]: 1.0, out[p, v, t]: 1.0}, -np.inf, 2))


@pytest.mark.parametrize("seed", range(INSTANCES))
def test_planner_equals_the_integer_program(seed: int) -> None:
    deck = _instance(seed)
    request = load_request(deck)
    plan = _plan(seed)
    best = _reference(deck)
    if best is None:
        assert plan.status == "infeasible"
        assert plan.reasons
        return
    assert plan.status == "optimal"
    assert (len(plan.vehicles), plan.visits) == best
    assert check_plan(request, plan.placed, plan.trucks) == []


def test_the_instances_have_both_answers_and_every_kind_of_vehicle() -> None:
    """Or the comparison above would say little."""
    plans = [_plan(seed) for seed in range(INSTANCES)]
    refused = sum(plan.status == "infeasible" for plan in plans)
    assert 5 <= refused <= INSTANCES - 15
    taken = {
        _instance(seed)["trucks"][number]["name"] for seed, plan in enumerate(plans) for number in plan.trucks
    }
    assert taken == {truck["name"] for truck in (SEMI, RIGID, TANDEM, CENTRE_AXLE, FULL_TRAILER)}
    assert sum(len(set(plan.trucks)) > 1 for plan in plans) >= 3
