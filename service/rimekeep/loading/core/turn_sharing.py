"""Which truck makes which trips: the fewest trucks whose shifts hold a day's loads, one after the other."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.turns import Job, best_sequence
from rimekeep.loading.core.vehicle import Shift

# A truck of which no shift is said makes one trip whenever it likes.
Jobs = Mapping[int, Job | None]
"""What a load's trip is on each kind of truck that takes it."""


@dataclass(frozen=True, slots=True)
class Yard:
    """Trucks of one kind: how many there are and when they are out."""

    kind: int
    trucks: int
    shift: Shift | None


@dataclass(frozen=True, slots=True)
class Shared:
    """
    Each load's truck (its kind and its number, from 0 over all kinds) and the trip of it, from 1.

    ``trucks_bound``: with fewer trucks these loads cannot be carried. ``loads`` are empty where no way was
    found; it is sure that there is none where ``is_settled``.
    """

    loads: tuple[tuple[int, int, int], ...]
    trucks_bound: int
    is_settled: bool


def share_turns(loads: Sequence[Jobs], yards: Sequence[Yard], budget: Budget, most: float) -> Shared:
    """Return which truck makes which trips; one exact model over all of them, while effort lasts."""
    model = cp_model.CpModel()
    fleet = [yard for yard in yards for _ in range(min(yard.trucks, len(loads)))]
    chosen = {
        (v, i): model.new_bool_var(f"load{v}on{i}")
        for v, jobs in enumerate(loads)
        for i, yard in enumerate(fleet)
        if yard.kind in jobs
    }
    used = [model.new_bool_var(f"used{i}") for i in range(len(fleet))]
    for i in range(1, len(fleet)):
        if fleet[i].kind == fleet[i - 1].kind:
            model.add_implication(used[i], used[i - 1])
    for v in range(len(loads)):
        model.add_exactly_one(chosen[v, i] for i in range(len(fleet)) if (v, i) in chosen)
    _add_times(model, loads, fleet, chosen)
    for i, yard in enumerate(fleet):
        own = [chosen[v, i] for v in range(len(loads)) if (v, i) in chosen]
        model.add(sum(own) <= (yard.shift.trips if yard.shift else 1) * used[i])
        model.add(sum(own) >= used[i])
    model.minimize(sum(used))
    search, status = budget.solve(model, most)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Shared((), len(fleet) + 1, is_settled=status == cp_model.INFEASIBLE)
    bound = max(1, round(search.best_objective_bound))
    of_truck = [
        [v for v in range(len(loads)) if (v, i) in chosen and search.value(chosen[v, i])]
        for i in range(len(fleet))
    ]
    return Shared(_in_order(loads, fleet, of_truck), bound, is_settled=True)


def _add_times(
    model: cp_model.CpModel,
    loads: Sequence[Jobs],
    fleet: Sequence[Yard],
    chosen: Mapping[tuple[int, int], cp_model.IntVar],
) -> None:
    horizon_s = max((yard.shift.ends_s for yard in fleet if yard.shift), default=0)
    stands: dict[int, list[cp_model.IntervalVar]] = {}
    for v, jobs in enumerate(loads):
        leaves = model.new_int_var(0, horizon_s, f"leaves{v}")
        away = model.new_int_var(0, horizon_s, f"away{v}")
        back = model.new_int_var(0, horizon_s, f"back{v}")
        model.add(leaves + away == back)
        for i, yard in enumerate(fleet):
            job = jobs.get(yard.kind)
            if job is None or yard.shift is None:
                continue
            on = chosen[v, i]
            model.add(leaves >= job.soonest_s).only_enforce_if(on)
            if job.latest_s is not None:
                model.add(leaves <= job.latest_s).only_enforce_if(on)
            model.add(away >= job.lasts_s).only_enforce_if(on)
            model.add(back >= job.back_from_s).only_enforce_if(on)
            model.add(back <= yard.shift.ends_s).only_enforce_if(on)
            turn_s = yard.shift.turn_round_s
            stands.setdefault(i, []).append(
                model.new_optional_interval_var(leaves, away + turn_s, back + turn_s, on, f"load{v}at{i}")
            )
    for intervals in stands.values():
        model.add_no_overlap(intervals)


def _in_order(
    loads: Sequence[Jobs], fleet: Sequence[Yard], of_truck: Sequence[Sequence[int]]
) -> tuple[tuple[int, int, int], ...]:
    """Number trucks by the first load they carry, and the trips of each in the order that is over first."""
    found: dict[int, tuple[int, int, int]] = {}
    busy = sorted((i for i, own in enumerate(of_truck) if own), key=lambda i: list(of_truck[i]))
    for number, i in enumerate(busy):
        yard, own = fleet[i], of_truck[i]
        order: Sequence[int] | None = range(len(own))
        if yard.shift is not None:
            jobs = [job for v in own if (job := loads[v][yard.kind]) is not None]
            order = best_sequence(jobs, yard.shift)
        if order is None:
            raise AssertionError("trips were shared out that do not follow each other")
        for trip, k in enumerate(order, 1):
            found[own[k]] = (yard.kind, number, trip)
    return tuple(found[v] for v in range(len(loads)))
