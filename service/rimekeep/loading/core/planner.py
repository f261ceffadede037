"""Fewest vehicles, then fewest visits, then the best axle margin; the first two with proof."""

from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.loading.core.assignment import assign
from rimekeep.loading.core.bound import plain_price_bound, price_bound
from rimekeep.loading.core.effort import Budget, Progress, Tell
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.explain import explain
from rimekeep.loading.core.feasible import WHOLE_FLEET_COUNTS
from rimekeep.loading.core.firstfit import first_fit
from rimekeep.loading.core.fixing import Fixing
from rimekeep.loading.core.fleet import staff
from rimekeep.loading.core.loader import QuickLoader
from rimekeep.loading.core.misfit import idle_stops
from rimekeep.loading.core.plan import LoadPlan, VehiclePlan, vehicle_plan
from rimekeep.loading.core.priced import is_apt
from rimekeep.loading.core.problem import (
    Load,
    Problem,
    problem_of,
    stop_bounds,
    vehicles_bound,
    visits_of,
)
from rimekeep.loading.core.reasons import deadlock_reasons, fleet_reasons, misfit_reasons
from rimekeep.loading.core.search import drop_visits, pack
from rimekeep.loading.core.sharing import Lessons
from rimekeep.loading.core.standing import stand
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import noted, say

# What looking for a plan with one number of vehicles may cost; less where one model soon tells for sure.
_PACK_EFFORT = 2.5
_SMALL_PACK_EFFORT = 0.2
# Of the effort of a plan whose pallets may be stacked, what looking for one without stacks may cost.
_FLAT_SHARE = 0.4
# A first try before loads are fixed by price, and what those may cost.
_FIRST_PACK_EFFORT = 0.1
_FIXING_EFFORT = 7.0


def plan_loads(
    request: LoadRequest, *, effort: float = 20.0, seed: int = 0, tell: Tell | None = None
) -> LoadPlan:
    """
    Return the plan of a request.

    Every deck is exact: places, drop order, payload, gross weight and every axle at departure and after every
    drop. Search and proof run inside a solver whose effort is counted, not clocked, so the same input, effort
    and seed give the same plan on any machine.

    Parameters
    ----------
    request
        A checked request.
    effort
        Solver effort, > 0; one unit is about a second of one processor. [-]
    seed
        Seed of the solver.
    tell
        Hears of progress several times a second; when it answers False, planning ends with the best plan and
        the bound so far.

    Returns
    -------
    LoadPlan
        ``optimal`` when fewest vehicles and fewest visits are both proven, ``feasible`` with bounds
        otherwise, ``infeasible`` with reasons.
    """
    budget = Budget(effort, seed, tell)
    problem = problem_of(request)
    loader = QuickLoader(problem.deck, seed=seed)
    misfits = misfit_reasons(problem, loader, budget)
    if misfits:
        return _refusal(request, budget, vehicles_bound(problem), misfits)
    lessons = Lessons(problem, loader)
    flat = _flat(problem, budget) if problem.deck.has_stacks else None
    if flat is not None and flat.is_fewest:
        least, loads = flat.least, flat.loads
    else:
        least, loads = _fewest_vehicles(problem, loader, budget, lessons)
        if flat is not None and flat.loads and (loads is None or len(loads) >= len(flat.loads)):
            loads = flat.loads
    available = request.available
    if available is not None and (least > available or loads is None or len(loads) > available):
        found = len(loads) if loads else None
        return _refusal(
            request,
            budget,
            least,
            fleet_reasons(problem, budget, available=available, least=least, found=found),
        )
    if loads is None:
        return _refusal(request, budget, least, deadlock_reasons(problem, budget, least=least))
    budget.report("visits", vehicles=len(loads), lower_bound=least)
    is_fewest = len(loads) == least
    visits_least = sum(stop_bounds(problem).values())
    if flat is not None and loads is flat.loads:
        _, loads = _fewest_visits(flat.problem, flat.loader, budget, flat.lessons, loads, is_fewest=is_fewest)
    if visits_of(problem, loads) > visits_least:
        visits_least, loads = _fewest_visits(problem, loader, budget, lessons, loads, is_fewest=is_fewest)
    vehicles = tuple(
        _vehicle(problem, loader, load, taken, truck) for load, taken, truck in _named(problem, loader, loads)
    )
    budget.report("done")
    visits = visits_of(problem, loads)
    is_proven = len(loads) == least and visits == visits_least
    return LoadPlan(
        "optimal" if is_proven else "feasible",
        least,
        vehicles,
        visits,
        visits_least,
        (),
        doubts(request, len(loads), least, visits, visits_least) + idle_stops(request),
    )


@dataclass(frozen=True)
class _Flat:
    """Loads with nothing on top of anything else; ``least`` is what any plan takes, with stacks too."""

    problem: Problem
    loader: Loader
    lessons: Lessons
    least: int
    loads: tuple[Load, ...] | None

    @property
    def is_fewest(self) -> bool:
        """Tell whether stacks spare no vehicle."""
        return self.loads is not None and len(self.loads) <= self.least


def _flat(stacked: Problem, budget: Budget) -> _Flat:
    """Return the best loads without stacks, for part of the effort."""
    problem = stacked.flat
    loader = QuickLoader(problem.deck, seed=budget.seed)
    lessons = Lessons(problem, loader)
    least = max(1, vehicles_bound(stacked))

    def tell(progress: Progress) -> bool:
        budget.report(progress.stage, vehicles=progress.vehicles, lower_bound=least)
        return not budget.is_stopped

    part = Budget(budget.left * _FLAT_SHARE, budget.seed, tell if budget.is_told else None)
    _, loads = _fewest_vehicles(problem, loader, part, lessons)
    if not budget.is_stopped:
        budget.left -= part.effort - part.left
    return _Flat(problem, loader, lessons, least, loads)


def _refusal(request: LoadRequest, budget: Budget, least: int, reasons: tuple[str, ...]) -> LoadPlan:
    budget.report("reasons")
    reasons = (*reasons, *explain(request, budget).words)
    budget.report("done", lower_bound=least)
    unplaced = tuple(pallet.id for pallet in request.pallets)
    return LoadPlan("infeasible", least, (), 0, 0, unplaced, reasons)


def doubts(
    request: LoadRequest, vehicles: int, least: int, visits: int, visits_least: int
) -> tuple[str, ...]:
    """Return in words what of a plan is not proven."""
    if vehicles > least:
        words = (
            noted("The plan takes {loads} trips; that {least} would do is not ruled out.")
            if request.load_word == "trip"
            else noted("The plan takes {loads} trucks; that {least} would do is not ruled out.")
        )
        return (say(words, loads=vehicles, least=least),)
    if visits > visits_least:
        return (
            say(
                "The plan takes {visits} visits; that {visits_least} would do is not ruled out.",
                visits=visits,
                visits_least=visits_least,
            ),
        )
    return ()


def _fewest_vehicles(
    problem: Problem, loader: QuickLoader, budget: Budget, lessons: Lessons
) -> tuple[int, tuple[Load, ...] | None]:
    """Return a proven bound and the best loads found, None when there are none yet."""
    least = max(1, vehicles_bound(problem))
    budget.report("vehicles", lower_bound=least)
    loads = first_fit(problem, loader)
    budget.report(vehicles=len(loads) if loads else None)
    size = len(problem.deck.rows) * len(problem.groups)
    fixing = Fixing(problem, loader, budget, lessons) if is_apt(problem, loader) else None
    for vehicles in range(least, len(loads) if loads else least + 1):
        is_small = vehicles * size <= WHOLE_FLEET_COUNTS
        found = _on_so_many(
            problem, loader, budget, lessons, None if is_small else fixing, loads or (), vehicles, is_small
        )
        if found is not None:
            loads = found
            budget.report(vehicles=len(found))
            break
    if loads is not None and len(loads) <= least:
        return least, loads
    start = budget.left
    if loads is not None:
        least = plain_price_bound(problem, budget, least=least, most=start * 0.2)
        budget.report(lower_bound=least)
    if loads is None or len(loads) * size <= WHOLE_FLEET_COUNTS:
        least, loads = _from_the_bound_up(problem, loader, budget, least, loads, floor=start * 0.3)
    if loads is not None and least < len(loads):
        seen = loads if fixing is None else tuple(dict.fromkeys([*loads, *fixing.loads]))
        least = price_bound(problem, budget, seen, least=least, target=len(loads), most=start * 0.4)
    return least, loads


def _on_so_many(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    fixing: Fixing | None,
    known: tuple[Load, ...],
    vehicles: int,
    is_small: bool,
) -> tuple[Load, ...] | None:
    """Return loads on so many vehicles, looked for by filling and, where it can be, by prices."""

    def floor(most: float) -> float:
        return max(budget.left - most, budget.effort * 0.4)

    if fixing is not None:
        quick = floor(_FIRST_PACK_EFFORT)
        found = pack(problem, loader, budget, lessons, vehicles=vehicles, floor=quick, tries=1)
        if found is not None:
            return found
        most = budget.left - floor(_FIXING_EFFORT)
        found = fixing.plan(known, vehicles=vehicles, most=most)
        if found is not None or fixing.is_hopeless:
            return found
    most = _SMALL_PACK_EFFORT if is_small else _PACK_EFFORT
    return pack(problem, loader, budget, lessons, vehicles=vehicles, floor=floor(most))


def _from_the_bound_up(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    least: int,
    loads: tuple[Load, ...] | None,
    *,
    floor: float,
) -> tuple[int, tuple[Load, ...] | None]:
    """Try each number of vehicles from the bound up until one has a plan or effort runs out."""
    most = len(loads) if loads else sum(problem.demand) + 1
    vehicles = least
    while vehicles < most and budget.left > floor:
        found = assign(
            problem,
            loader,
            budget,
            vehicles=vehicles,
            demand=problem.demand,
            most=(budget.left - floor) / (2 if loads else 1),
        )
        if found.loads is not None:
            return least, found.loads
        if found.is_impossible and least == vehicles:
            least += 1
        elif loads is not None:
            break
        vehicles += 1
    return least, loads


def _fewest_visits(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    loads: tuple[Load, ...],
    *,
    is_fewest: bool,
) -> tuple[int, tuple[Load, ...]]:
    """Return a proven bound on visits at this number of vehicles and the best loads found."""
    least = sum(stop_bounds(problem).values())
    loads = drop_visits(problem, loader, budget, lessons, loads, least=least, floor=budget.left * 0.3)
    size = len(loads) * len(problem.deck.rows) * len(problem.groups)
    if visits_of(problem, loads) == least or size > WHOLE_FLEET_COUNTS:
        return least, loads
    found = assign(
        problem,
        loader,
        budget,
        vehicles=len(loads),
        demand=problem.demand,
        most=budget.left,
        is_fewest_visits=True,
        hint=loads,
    )
    if is_fewest:
        least = max(least, found.bound)
    if found.loads and visits_of(problem, found.loads) < visits_of(problem, loads):
        loads = found.loads
    return least, loads


def _named(
    problem: Problem, loader: Loader, loads: Sequence[Load]
) -> list[tuple[Load, list[list[str]], int]]:
    """Give every vehicle its pallets by name and its truck, vehicles with the earliest stop first."""
    left = [list(group.pallets) for group in problem.groups]
    ordered = sorted(loads, key=lambda load: ([g for g, n in enumerate(load) if n], tuple(-n for n in load)))
    named = []
    trucks = staff(problem, loader, ordered) if problem.deck.is_choice else [0] * len(ordered)
    if trucks is None:
        raise AssertionError("loads were accepted that the yard has no vehicles for")
    for load, truck in zip(ordered, trucks, strict=True):
        taken = []
        for g, n in enumerate(load):
            taken.append(left[g][:n])
            left[g] = left[g][n:]
        named.append((load, taken, truck))
    return named


def _vehicle(problem: Problem, loader: Loader, load: Load, taken: list[list[str]], truck: int) -> VehiclePlan:
    placements = stand(problem, loader, load, taken, truck)
    if placements is None:
        raise AssertionError("a load was accepted without a deck")
    return vehicle_plan(problem.request, placements, truck=truck)
