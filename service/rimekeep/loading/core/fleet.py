"""Which vehicle of the yard takes which load, where there are several kinds or layouts to choose from."""

from collections.abc import Sequence

from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.problem import Load, Problem


def staff(problem: Problem, loader: Loader, loads: Sequence[Load]) -> list[int] | None:
    """
    Return a truck of the request for every load, None when the yard has too few that take them.

    A matching by augmenting paths: exact, and where several kinds take a load the first one is kept for it
    unless another load has no other.
    """
    fleet = problem.request.fleet
    trucks = problem.deck.trucks
    able = [loader.trucks_for(problem.deck_groups(load)) for load in loads]
    holders: dict[int, list[int]] = {kind: [] for kind in fleet}

    def take(v: int, tried: set[int]) -> bool:
        for kind in dict.fromkeys(trucks[t].kind for t in able[v]):
            if kind in tried:
                continue
            tried.add(kind)
            most = fleet[kind]
            if most is None or len(holders[kind]) < most:
                holders[kind].append(v)
                return True
            for other in list(holders[kind]):
                if take(other, tried):
                    holders[kind].remove(other)
                    holders[kind].append(v)
                    return True
        return False

    for v in range(len(loads)):
        if not take(v, set()):
            return None
    kind_of = {v: kind for kind, held in holders.items() for v in held}
    return [next(t for t in able[v] if trucks[t].kind == kind_of[v]) for v in range(len(loads))]


def is_staffed(problem: Problem, loader: Loader, loads: Sequence[Load]) -> bool:
    """Return whether the yard has vehicles for all loads; one kind is counted when the plan is whole."""
    return not problem.deck.is_choice or staff(problem, loader, loads) is not None
