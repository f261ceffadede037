"""Invented days planned by the clock: first answers, proofs, vehicles, visits, and what the checker says."""

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rimekeep.cli.bench.loads import fitted, public
from rimekeep.cli.bench.loads.days import DROPS, UNITS, invented_day
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.effort import Progress
from rimekeep.loading.core.plan import LoadPlan, Placement, vehicle_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Stop

FIRST_S, PROOF_S = 2.0, 10.0
FEW_UNITS, FEW_DROPS = 120, 20
MOVE_DROPS, MOVE_MS, MOVES = 12, 5.0, 200


@dataclass(frozen=True, slots=True)
class LoadFigure:
    """One measured line: what, the figure, the aim, how."""

    work: str
    value: float
    aim: str
    detail: str


@dataclass(frozen=True, slots=True)
class Day:
    """
    One day planned; ``proof_s`` None when fewest vehicles were not proven.

    ``proof_cpu_s`` is the same in time of the processor, which others at work on the machine do not lengthen.
    """

    seed: int
    plan: LoadPlan
    first_s: float
    proof_s: float | None
    proof_cpu_s: float | None
    all_s: float
    violations: int
    by_stop: int
    by_pallet: int


def measure(*, days: int) -> list[LoadFigure]:
    """Return every figure of load plans; the same days each time, ``days`` of them at most."""
    many = [_planned(seed) for seed in range(days)]
    few = [_planned(seed, units=FEW_UNITS, drops=FEW_DROPS) for seed in range(min(days, 20))]
    return [
        _proofs(many),
        _firsts(many),
        _fewer(many, "whole stops, largest first", [day.by_stop for day in many]),
        _fewer(many, "single pallets, heaviest first", [day.by_pallet for day in many]),
        _visits(few, FEW_UNITS, FEW_DROPS, "≤ 1.05"),
        _visits(many, UNITS, DROPS, "≤ 1.20"),
        _judged([*many, *few]),
        _move(),
        *(LoadFigure(one.work, one.value, one.aim, one.detail) for one in public.measure()),
    ]


def _planned(seed: int, *, units: int = UNITS, drops: int = DROPS) -> Day:
    request = invented_day(seed, units=units, drops=drops)
    begun, begun_cpu = time.perf_counter(), time.process_time()
    first_s: list[float] = []
    proof_s: list[tuple[float, float]] = []

    def tell(progress: Progress) -> bool:
        now_s = time.perf_counter() - begun
        if progress.vehicles is not None:
            first_s.append(now_s)
            if progress.vehicles <= progress.lower_bound:
                proof_s.append((now_s, time.process_time() - begun_cpu))
        return True

    plan = plan_loads(request, tell=tell)
    all_s = time.perf_counter() - begun
    day = Day(
        seed=seed,
        plan=plan,
        first_s=first_s[0] if first_s else all_s,
        proof_s=proof_s[0][0] if proof_s else None,
        proof_cpu_s=proof_s[0][1] if proof_s else None,
        all_s=all_s,
        violations=len(check_plan(request, plan.placed)),
        by_stop=fitted.by_stop(request),
        by_pallet=fitted.by_pallet(request),
    )
    print(
        f"  {request.name}, {units} units: {len(plan.vehicles)} vehicles (first fit {day.by_stop}, "
        f"{day.by_pallet}), bound {plan.lower_bound}, visits {plan.visits} (bound {plan.visits_bound}), "
        f"first {day.first_s:.2f} s, proof {'none' if day.proof_s is None else f'{day.proof_s:.1f} s'}, "
        f"{all_s:.1f} s, {day.violations} violations",
        file=sys.stderr,
        flush=True,
    )
    return day


def _proofs(days: Sequence[Day]) -> LoadFigure:
    in_time = [day.proof_s for day in days if day.proof_s is not None and day.proof_s <= PROOF_S]
    proven = [day for day in days if day.proof_s is not None]
    open_ = [
        f"{day.seed} ({len(day.plan.vehicles)}, bound {day.plan.lower_bound})"
        for day in days
        if day.proof_s is None
    ]
    spent = sorted(day.proof_s for day in proven if day.proof_s is not None)
    cpu = sorted(day.proof_cpu_s for day in proven if day.proof_cpu_s is not None)
    told = "none"
    if spent:
        told = (
            f"median {spent[len(spent) // 2]:.1f} s, longest {spent[-1]:.1f} s; time of the processor "
            f"{cpu[len(cpu) // 2]:.1f} and {cpu[-1]:.1f} s, "
            f"{sum(one <= PROOF_S for one in cpu)} within {PROOF_S:g} s"
        )
    return LoadFigure(
        f"days of {UNITS} units and {DROPS} drops, share with fewest vehicles proven in {PROOF_S:g} s",
        len(in_time) / len(days),
        "≥ 0.90",
        f"{len(proven)} of {len(days)} proven at all: {told}; open: {', '.join(open_) or 'none'}; "
        f"fewest visits proven too on {sum(day.plan.status == 'optimal' for day in days)}; whole plans "
        f"{sum(day.all_s for day in days) / len(days):.1f} s on average",
    )


def _firsts(days: Sequence[Day]) -> LoadFigure:
    longest = max(days, key=lambda day: day.first_s)
    return LoadFigure(
        f"first answer, longest, against {FIRST_S:g} s",
        longest.first_s / FIRST_S,
        "≤ 1",
        f"{longest.first_s:.2f} s on day {longest.seed}; "
        f"median {sorted(day.first_s for day in days)[len(days) // 2]:.2f} s",
    )


def _fewer(days: Sequence[Day], way: str, others: Sequence[int]) -> LoadFigure:
    own = sum(len(day.plan.vehicles) for day in days)
    more = [str(day.seed) for day, other in zip(days, others, strict=True) if len(day.plan.vehicles) > other]
    return LoadFigure(
        f"vehicles in all, against deck-checked first-fit-decreasing ({way})",
        own / sum(others),
        "≤ 0.90, never more on a day",
        f"{own} against {sum(others)} on {len(days)} days; more on: {', '.join(more) or 'none'}",
    )


def _visits(days: Sequence[Day], units: int, drops: int, aim: str) -> LoadFigure:
    own, bound = (
        sum(figure) for figure in zip(*((d.plan.visits, d.plan.visits_bound) for d in days), strict=True)
    )
    worst = max(days, key=lambda day: day.plan.visits / day.plan.visits_bound)
    return LoadFigure(
        f"visits against their bound, {units} units and {drops} drops",
        own / bound,
        aim,
        f"{own} against {bound} on {len(days)} days; worst {worst.plan.visits} against "
        f"{worst.plan.visits_bound} on day {worst.seed}",
    )


def _judged(days: Sequence[Day]) -> LoadFigure:
    return LoadFigure(
        "plans in which the separate checker finds no violation, share",
        sum(day.violations == 0 for day in days) / len(days),
        "≥ 1",
        f"{sum(day.violations for day in days)} violations in {len(days)} plans with "
        f"{sum(len(day.plan.vehicles) for day in days)} vehicles",
    )


def _move() -> LoadFigure:
    """Time the judgement of one move: check the deck again, reckon its axles in every state."""
    day = invented_day(0)
    truck = replace(day.truck, available=1)
    stops = tuple(Stop(f"S{k}", k + 1) for k in range(MOVE_DROPS))
    places = [(r, lane) for r, row in enumerate(truck.rows) for lane in range(row.lanes)]
    pallets = tuple(
        Pallet(f"P{k}", stops[MOVE_DROPS - 1 - k * MOVE_DROPS // len(places)].id, "chilled", 480.0 + 3 * k)
        for k in range(len(places))
    )
    request: LoadRequest = replace(day, trucks=(truck,), stops=stops, pallets=pallets)
    deck = [(pallet.id, row, lane) for pallet, (row, lane) in zip(pallets, places, strict=True)]
    spent_ms = []
    for k in range(MOVES):
        a, b = k % len(deck), (k * 7 + 3) % len(deck)
        moved = list(deck)
        moved[a], moved[b] = (deck[a][0], *deck[b][1:]), (deck[b][0], *deck[a][1:])
        begun = time.perf_counter()
        check_plan(request, [moved])
        vehicle_plan(request, [Placement(*place) for place in moved])
        spent_ms.append((time.perf_counter() - begun) * 1e3)
    spent_ms.sort()
    return LoadFigure(
        f"one move judged again, 33 places and {MOVE_DROPS} drops, against {MOVE_MS:g} ms",
        spent_ms[len(spent_ms) // 2] / MOVE_MS,
        "≤ 1",
        f"median {spent_ms[MOVES // 2]:.2f} ms, 95 % under {spent_ms[MOVES * 95 // 100]:.2f} ms "
        f"of {MOVES} swaps: check and axles of every state",
    )
