"""A first plan: largest stops first, each onto the first vehicle whose deck takes it."""

from collections.abc import Sequence

from rimekeep.loading.core.exact_loader import Loader, Undecided
from rimekeep.loading.core.fleet import is_staffed
from rimekeep.loading.core.problem import Load, Problem


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
