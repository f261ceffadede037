"""
Filling one vehicle after another: as full as it gets, with as few stops left half served as can be.

What a vehicle is filled with counts by the scarcer of places and payload. A cap on weight spreads the goods
evenly, which is what the axles of part-loaded decks ask for.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.firstfit import fits
from rimekeep.loading.core.fleet import is_staffed
from rimekeep.loading.core.problem import Load, Problem
from rimekeep.loading.core.sharing import Lessons, add_lessons, add_share


@dataclass(frozen=True, slots=True)
class Way:
    """
    How to fill: the cap on weight, and what leaving a stop half served costs in parts of a vehicle.

    ``heavy_first`` is what the heaviest pallet counts more than by its share, as those fit last what is left.
    """

    weight_most_kg: float
    half_served: float
    heavy_first: float = 0.0


def fill(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    way: Way,
    *,
    vehicles: int,
    floor: float,
    tries: int = 6,
) -> tuple[tuple[Load, ...], Load]:
    """Return loads of so many vehicles at most, all of them legal, and what found no room."""
    left = list(problem.demand)
    loads: list[Load] = []
    while any(left) and len(loads) < vehicles and budget.left > floor:
        load = _fill_one(
            problem, loader, budget, lessons, way, tuple(left), loads, vehicles - len(loads), tries
        )
        if load is None:
            break
        loads.append(load)
        left = [n - m for n, m in zip(left, load, strict=True)]
    return tuple(loads), tuple(left)


def _fill_one(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    way: Way,
    left: Load,
    loads: Sequence[Load],
    vehicles: int,
    tries: int,
) -> Load | None:
    """Return one more load, on the largest kind of vehicle the yard still has."""
    trucks = sorted(
        range(len(problem.deck.trucks)),
        key=lambda t: (-problem.deck.places_of(t) * problem.payloads_kg[t], t),
    )
    while trucks:
        load: Load | None = None
        for _ in range(tries):
            load = _best(problem, budget, lessons, way, left, vehicles, trucks)
            if load is None or not any(load) or fits(problem, loader, load):
                break
            lessons.learn(load)
        else:
            load = _thinned(problem, loader, load) if load else None
        if load is not None and any(load) and is_staffed(problem, loader, [*loads, load]):
            return load
        largest = problem.deck.trucks[trucks[0]].kind
        trucks = [t for t in trucks if problem.deck.trucks[t].kind != largest]
    return None


def _best(
    problem: Problem,
    budget: Budget,
    lessons: Lessons,
    way: Way,
    left: Load,
    vehicles: int,
    trucks: Sequence[int],
) -> Load | None:
    model = cp_model.CpModel()
    one = add_share(model, problem, left, "", weight_most_kg=way.weight_most_kg, trucks=trucks)
    add_lessons(model, one, left, lessons, "")
    pieces = sum(left)
    weight = float(sum(problem.masses[g] * n for g, n in enumerate(left)))
    places = problem.deck.places
    need_places = pieces / (vehicles * places)
    need_weight = weight / (vehicles * way.weight_most_kg)
    # The scarcer of the two counts for nearly all.
    share = need_places**8 / (need_places**8 + need_weight**8)
    heaviest = max(problem.masses)
    worth = {
        g: round(
            10_000
            * (share / places + (1 - share) * float(problem.masses[g]) / way.weight_most_kg)
            * (1 + way.heavy_first * float(problem.masses[g] / heaviest))
        )
        for g in one.loaded
    }
    lost = round(10_000 * way.half_served)
    halves = []
    for stop, visit in one.visits.items():
        is_done = model.new_bool_var(f"done{stop}")
        for g in one.loaded:
            if problem.groups[g].stop == stop:
                if left[g] > places:
                    model.add(is_done == 0)
                else:
                    model.add(one.loaded[g] >= left[g]).only_enforce_if(is_done)
        model.add_implication(is_done, visit)
        halves.append(visit - is_done)
    model.maximize(sum(worth[g] * n for g, n in one.loaded.items()) - lost * sum(halves))
    search, status = budget.solve(model, 0.03)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    load = [0] * len(problem.groups)
    for g, n in one.loaded.items():
        load[g] = search.value(n)
    return tuple(load)


def _thinned(problem: Problem, loader: Loader, load: Load) -> Load | None:
    """Leave pallets out, those of the smallest parts first, until the deck is legal."""
    thin = list(load)
    for _ in range(sum(load)):
        if fits(problem, loader, thin):
            return tuple(thin)
        if not problem.rules.is_split_allowed:
            return None
        g = min((g for g, n in enumerate(thin) if n), key=lambda g: (thin[g], -problem.masses[g]))
        thin[g] -= 1
    return None
