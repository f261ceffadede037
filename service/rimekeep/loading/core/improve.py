"""A first plan by first fit, and better ones by solving a few vehicles at a time exactly."""

from collections.abc import Sequence
from itertools import combinations

from rimekeep.loading.core.assignment import Budget, assign
from rimekeep.loading.core.deck import Loader, Undecided
from rimekeep.loading.core.fleet import is_staffed
from rimekeep.loading.core.problem import Load, Problem, visits_of


def fits(problem: Problem, loader: Loader, load: Sequence[int]) -> bool:
    """Return whether a load may travel on one vehicle; an undecided deck counts as one that may not."""
    if not problem.is_mixable(load) or sum(load) > problem.deck.places:
        return False
    try:
        return loader.arrange(problem.deck_groups(load)) is not None
    except Undecided:
        return False


def first_fit(problem: Problem, loader: Loader) -> tuple[Load, ...] | None:
    """
    Return a plan by first fit, largest stops first, every deck checked; None when a piece fits nowhere.

    A stop goes whole onto the first vehicle that takes it, else onto a new one, else in the largest parts
    that fit.
    """
    loads: list[Load] = []
    for part in _parts(problem):
        left = part
        while any(left):
            place = next(
                (v for v in range(len(loads)) if _takes(problem, loader, loads, v, left)),
                None,
            )
            if place is not None:
                loads[place] = _plus(loads[place], left)
                break
            taken = _largest_part(problem, loader, left, loads)
            if taken is None:
                return None
            loads.append(taken)
            left = tuple(n - m for n, m in zip(left, taken, strict=True))
    return tuple(loads)


def _takes(problem: Problem, loader: Loader, loads: Sequence[Load], v: int, more: Load) -> bool:
    """Return whether a vehicle takes more, and the yard then still has vehicles for all."""
    load = _plus(loads[v], more)
    return fits(problem, loader, load) and is_staffed(problem, loader, [*loads[:v], load, *loads[v + 1 :]])


def _parts(problem: Problem) -> list[Load]:
    """Return what should travel together: whole stops, clashing classes apart when splits may be."""
    clashing = (
        {name for pair in problem.clashes for name in pair} if problem.rules.is_split_allowed else set()
    )
    parts: dict[tuple[str, str], list[int]] = {}
    for g, group in enumerate(problem.groups):
        key = (group.stop, group.temperature_class if group.temperature_class in clashing else "")
        parts.setdefault(key, [0] * len(problem.groups))[g] = group.count
    ordered = sorted(parts.items(), key=lambda item: (-sum(item[1]), item[0]))
    return [tuple(part) for _, part in ordered]


def _plus(load: Sequence[int], more: Sequence[int]) -> Load:
    return tuple(a + b for a, b in zip(load, more, strict=True))


def _largest_part(problem: Problem, loader: Loader, part: Load, others: Sequence[Load]) -> Load | None:
    """Return the most pallets of a part that one new vehicle of the yard takes, heavy ones first."""
    if not problem.rules.is_split_allowed:
        is_taken = fits(problem, loader, part) and is_staffed(problem, loader, [*others, part])
        return part if is_taken else None
    heavy_first = sorted(range(len(part)), key=lambda g: -problem.masses[g])
    for total in range(min(sum(part), problem.deck.places), 0, -1):
        load, left = [0] * len(part), total
        for g in heavy_first:
            load[g] = min(part[g], left)
            left -= load[g]
        if fits(problem, loader, load) and is_staffed(problem, loader, [*others, tuple(load)]):
            return tuple(load)
    return None


def drop_vehicles(
    problem: Problem, loader: Loader, budget: Budget, loads: tuple[Load, ...], *, least: int, floor: float
) -> tuple[Load, ...]:
    """
    Return a plan with fewer vehicles where one can be emptied into two others.

    The emptiest vehicle and two more are solved together for the fewest pallets on the last; when that
    reaches none, a vehicle is gone. Stops at ``least`` vehicles or when only ``floor`` effort is left.
    """
    best = list(loads)
    is_moving = True
    while is_moving and len(best) > least and budget.left > floor:
        is_moving = False
        best.sort(key=lambda load: (-sum(load), load))
        last = best[-1]
        for a, b in combinations(range(len(best) - 2, -1, -1), 2):
            if budget.left <= floor:
                break
            trio = [best[b], best[a], last]
            together = _plus(_plus(trio[0], trio[1]), last)
            # The emptied vehicle cannot hold less than what the other two have no room for.
            if sum(together) - 2 * problem.deck.places >= sum(last):
                continue
            found = assign(
                problem, loader, budget, vehicles=3, demand=together, most=1.0, fewest="last", hint=trio
            )
            if found.loads and (len(found.loads) < 3 or min(map(sum, found.loads)) < sum(last)):
                rest = [load for v, load in enumerate(best[:-1]) if v not in (a, b)]
                if is_staffed(problem, loader, [*rest, *found.loads]):
                    best = rest + list(found.loads)
                    is_moving = True
                    break
    return tuple(best)


def drop_visits(
    problem: Problem, loader: Loader, budget: Budget, loads: tuple[Load, ...], *, least: int
) -> tuple[Load, ...]:
    """Return a plan on no more vehicles with fewer visits, solving those that share a stop again."""
    best = list(loads)
    is_moving = True
    while is_moving and visits_of(problem, best) > least and budget.left > 0:
        is_moving = False
        sharing = [
            some
            for size in (2, 3)
            for some in combinations(range(len(best)), size)
            if visits_of(problem, [best[v] for v in some])
            > len(frozenset().union(*(problem.stops_of(best[v]) for v in some)))
        ]
        for some in sharing:
            if budget.left <= 0:
                break
            before = [best[v] for v in some]
            together = before[0]
            for load in before[1:]:
                together = _plus(together, load)
            found = assign(
                problem,
                loader,
                budget,
                vehicles=len(some),
                demand=together,
                most=1.0,
                fewest="visits",
                hint=before,
            )
            if found.loads and visits_of(problem, found.loads) < visits_of(problem, before):
                rest = [load for v, load in enumerate(best) if v not in some]
                if is_staffed(problem, loader, [*rest, *found.loads]):
                    best = rest + list(found.loads)
                    is_moving = True
                    break
    return tuple(best)
