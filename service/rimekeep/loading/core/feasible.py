"""Whether a number of vehicles will do: yes, no, or not settled with the effort given."""

from rimekeep.loading.core.assignment import assign
from rimekeep.loading.core.bound import can_be_carried, plain_price_bound
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.firstfit import first_fit, fits
from rimekeep.loading.core.loader import QuickLoader
from rimekeep.loading.core.problem import Problem, vehicles_bound
from rimekeep.loading.core.search import pack
from rimekeep.loading.core.sharing import Lessons

# Above this many counts (vehicles × rows × groups) one model of the whole fleet is slower than a few vehicles
# at a time; measured on invented days of 50 to 250 pallets.
WHOLE_FLEET_COUNTS = 2500
_PACK_EFFORT = 0.4


def can_load(problem: Problem, budget: Budget, *, vehicles: int, most: float) -> bool | None:
    """Return whether a request can be loaded on so many vehicles, None when that is not settled."""
    floor = max(0.0, budget.left - most)
    loader = QuickLoader(problem.deck, seed=budget.seed)
    if vehicles < 1 or vehicles_bound(problem) > vehicles:
        return False
    if problem.rules.is_split_allowed:
        for g in range(len(problem.groups)):
            alone = tuple(int(k == g) for k in range(len(problem.groups)))
            if not fits(problem, loader, alone) and can_be_carried(problem, budget, g, most / 4) is False:
                return False
    loads = first_fit(problem, loader)
    if loads is not None and len(loads) <= vehicles:
        return True
    lessons = Lessons(problem, loader)
    if pack(
        problem, loader, budget, lessons, vehicles=vehicles, floor=max(floor, budget.left - _PACK_EFFORT)
    ):
        return True
    left = budget.left - floor
    if left <= 0:
        return None
    if vehicles * len(problem.deck.rows) * len(problem.groups) <= WHOLE_FLEET_COUNTS:
        found = assign(problem, loader, budget, vehicles=vehicles, demand=problem.demand, most=left)
        return True if found.loads else False if found.is_impossible else None
    least = plain_price_bound(problem, budget, least=vehicles, most=left)
    return False if least > vehicles else None
