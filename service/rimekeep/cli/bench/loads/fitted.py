"""First-fit-decreasing with every deck checked: what planning is measured against."""

from collections.abc import Sequence

from rimekeep.loading.core.firstfit import first_fit, fits
from rimekeep.loading.core.loader import QuickLoader
from rimekeep.loading.core.problem import problem_of
from rimekeep.loading.core.vehicle import LoadRequest


def by_stop(request: LoadRequest) -> int:
    """Return the vehicles it takes with whole stops, largest first, split only when larger than a deck."""
    problem = problem_of(request)
    loads = first_fit(problem, QuickLoader(problem.deck))
    if loads is None:
        raise RuntimeError(f"{request.name}: first fit finds no plan")
    return len(loads)


def by_pallet(request: LoadRequest) -> int:
    """Return the vehicles it takes with single pallets, the heaviest first."""
    problem = problem_of(request)
    loader = QuickLoader(problem.deck)
    loads: list[list[int]] = []

    def plus(load: Sequence[int], g: int) -> list[int]:
        return [n + (k == g) for k, n in enumerate(load)]

    for g in sorted(range(len(problem.groups)), key=lambda g: (-problem.masses[g], g)):
        for _ in range(problem.groups[g].count):
            place = next((v for v, load in enumerate(loads) if fits(problem, loader, plus(load, g))), None)
            if place is None:
                loads.append([0] * len(problem.groups))
                place = len(loads) - 1
            loads[place] = plus(loads[place], g)
    return len(loads)
