"""
From few vehicles upwards: fill them one after another, then make room for what is left over.

Every load that is kept has a legal deck, so what is found is a plan; that fewer vehicles cannot do is for
`bound` and `assignment` to prove.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations

from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.filling import Way, fill
from rimekeep.loading.core.problem import Load, Problem, visits_of
from rimekeep.loading.core.sharing import Lessons, Wanted, share_legally

# What leaving a stop half served costs, in parts of a vehicle (dear first: few visits before fullness), and
# what heavy pallets count more.
_WAYS = ((0.06, 0.0), (0.06, 0.3), (0.02, 0.0), (0.005, 0.1))
# Caps on weight, over what an even spread puts on every vehicle.
_CAPS = (1.04, 1.12, None)
_ROOM_EFFORT = 0.25
_VISITS_EFFORT = 0.2
_ROOM_TRIES = 10


def pack(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    *,
    vehicles: int,
    floor: float,
    tries: int | None = None,
) -> tuple[Load, ...] | None:
    """Return loads on no more than so many vehicles, None when none were found in so many tries."""
    weight_kg = float(sum(mass * n for mass, n in zip(problem.masses, problem.demand, strict=True)))
    payload_kg = float(problem.payload_kg)
    caps = {payload_kg if over is None else min(payload_kg, over * weight_kg / vehicles) for over in _CAPS}
    ways = [Way(cap_kg, *costs) for costs in _WAYS for cap_kg in sorted(caps)]
    for way in ways[:tries]:
        if budget.left <= floor:
            return None
        loads, left = fill(problem, loader, budget, lessons, way, vehicles=vehicles, floor=floor)
        if any(left):
            loads = _make_room(problem, loader, budget, lessons, loads, left, vehicles, floor)
        if loads:
            return loads
        budget.report()
    return None


def _make_room(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    loads: tuple[Load, ...],
    left: Load,
    vehicles: int,
    floor: float,
) -> tuple[Load, ...]:
    """Place what is left by sharing out a few vehicles again; nothing when that did not place all of it."""
    best, over = [*loads, *[(0,) * len(left)] * (vehicles - len(loads))], left
    if sum(over) > max(6, problem.deck.places // 3):
        return ()
    tried: set[tuple[Load, ...]] = set()
    while budget.left > floor and len(tried) < _ROOM_TRIES:
        some = next((one for one in _roomiest(problem, best) if tuple(best[v] for v in one) not in tried), ())
        if not some:
            return ()
        chosen = tuple(best[v] for v in some)
        tried.add(chosen)
        wanted = Wanted(len(some), together([*chosen, over]), may_leave=True, hint=chosen)
        others = [load for v, load in enumerate(best) if v not in some and any(load)]
        most = min(_ROOM_EFFORT, budget.left - floor)
        found = share_legally(problem, loader, budget, lessons, wanted, most=most, others=others)
        if found.loads is None or sum(found.over) > sum(over):
            continue
        best = [load for v, load in enumerate(best) if v not in some] + list(found.loads)
        over = found.over
        if not any(over):
            return tuple(load for load in best if any(load))
    return ()


def _roomiest(problem: Problem, loads: Sequence[Load]) -> Iterator[tuple[int, ...]]:
    """Yield trios of vehicles, those with the most room by the scarcer of places and payload first."""

    def room(load: Load) -> float:
        weight_kg = float(sum(mass * n for mass, n in zip(problem.masses, load, strict=True)))
        return min(1 - sum(load) / problem.deck.places, 1 - weight_kg / float(problem.payload_kg))

    order = sorted(range(len(loads)), key=lambda v: (-room(loads[v]), v))
    ranks = combinations(range(len(order)), min(3, len(order)))
    for some in sorted(ranks, key=lambda some: (sum(some), some)):
        yield tuple(order[k] for k in some)


def together(loads: Sequence[Load]) -> Load:
    """Return all that some vehicles carry."""
    return tuple(map(sum, zip(*loads, strict=True)))


def drop_visits(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    loads: tuple[Load, ...],
    *,
    least: int,
    floor: float,
) -> tuple[Load, ...]:
    """Return a plan on no more vehicles with fewer visits, sharing out again those that share a stop."""
    best = list(loads)
    tried: set[tuple[Load, ...]] = set()
    while visits_of(problem, best) > least and budget.left > floor:
        some = _sharing(problem, best, tried)
        if some is None:
            break
        before = tuple(best[v] for v in some)
        tried.add(tuple(sorted(before)))
        most = visits_of(problem, before) - 1
        wanted = Wanted(len(some), together(before), visits_most=most, hint=before)
        others = [load for v, load in enumerate(best) if v not in some]
        found = share_legally(problem, loader, budget, lessons, wanted, most=_VISITS_EFFORT, others=others)
        budget.report()
        if found.loads:
            best = others + [load for load in found.loads if any(load)]
    return tuple(best)


def _sharing(problem: Problem, loads: Sequence[Load], tried: set[tuple[Load, ...]]) -> tuple[int, ...] | None:
    """Return the pair or trio not tried yet that serves the most stops more than once."""
    stops = [problem.stops_of(load) for load in loads]
    best: tuple[tuple[int, int], tuple[int, ...]] | None = None
    for size in (2, 3):
        for some in combinations(range(len(loads)), size):
            twice = sum(len(stops[v]) for v in some) - len(frozenset().union(*(stops[v] for v in some)))
            if twice and tuple(sorted(loads[v] for v in some)) not in tried:
                rank = (-twice, size)
                if best is None or rank < best[0]:
                    best = (rank, some)
    return best[1] if best else None
