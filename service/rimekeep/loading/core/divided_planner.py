"""Planning with vehicles that may be divided: they are where that spares a vehicle, or a trip."""

from dataclasses import replace

from rimekeep.loading.core.drop_planner import DrivenPlan, plan_drives
from rimekeep.loading.core.effort import Tell
from rimekeep.loading.core.problem import problem_of, stop_bounds, vehicles_bound
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import say

# Of the effort of a plan, what looking for one without bulkheads may cost.
_WHOLE_SHARE = 0.5


def plan_sparing(
    request: LoadRequest, *, effort: float = 20.0, seed: int = 0, tell: Tell | None = None
) -> DrivenPlan:
    """
    Return the plan of a request; where it allows to divide vehicles, divided only if that spares one.

    Parameters are those of `plan_drives`, which divides wherever it helps in any way. Decks without bulkheads
    are found much sooner and are less work at the dock, so they are sought first; what is proven of the plan
    is proven of divided ones too.
    """
    if request.rules.is_single_compartment:
        return plan_drives(request, effort=effort, seed=seed, tell=tell)
    problem = problem_of(request)
    least = vehicles_bound(problem)
    whole = replace(request, rules=replace(request.rules, is_single_compartment=True))
    available = request.available
    if available is not None and vehicles_bound(problem_of(whole)) > available:
        return plan_drives(request, effort=effort, seed=seed, tell=tell)
    first = plan_drives(whole, effort=effort * _WHOLE_SHARE, seed=seed, tell=tell)
    count = len(first.plan.vehicles)
    if not count or count > least:
        found = plan_drives(request, effort=effort * (1 - _WHOLE_SHARE), seed=seed, tell=tell)
        if not count or 0 < len(found.plan.vehicles) < count:
            return found
        least = max(least, found.plan.lower_bound)
    visits_least = sum(stop_bounds(problem).values())
    plan, reasons = first.plan, first.plan.reasons
    is_proven = count == least and plan.visits == visits_least
    if not is_proven and plan.status == "optimal":
        what = say("fewer visits") if count == least else say("fewer vehicles or visits")
        undivided = say(
            "No vehicle is divided: none was found that spares one; whether {what} would do is not proven.",
            what=what,
        )
        reasons = (*reasons, undivided)
    plan = replace(
        plan,
        status="optimal" if is_proven else "feasible",
        lower_bound=min(plan.lower_bound, least),
        visits_bound=min(plan.visits_bound, visits_least),
        reasons=reasons,
    )
    return replace(first, plan=plan)
