"""
Which truck of a plan makes which trips, or why the shifts do not hold them and what would help.

As few loads as may be come first, then as few visits, then as few trucks.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from rimekeep.loading.core.about import About
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.loader import QuickLoader
from rimekeep.loading.core.plan import LoadPlan, VehiclePlan, vehicle_plan
from rimekeep.loading.core.problem import Load, Problem, problem_of
from rimekeep.loading.core.road_form import clock
from rimekeep.loading.core.standing import stand
from rimekeep.loading.core.turn_sharing import Jobs, Shared, Yard, share_turns
from rimekeep.loading.core.turns import job_of, turns_of
from rimekeep.loading.core.vehicle import LoadRequest, Shift, Truck
from rimekeep.wording import say

# Solver effort of sharing trips out once; most are settled in a hundredth of it.
_EFFORT = 1.0
# How many kinds of shorter trips are tried, and how much a refusal adds to find what would do.
_SHORTER = 3
_MORE_TRUCKS = 4
_LATER_S = tuple(range(1_800, 14_401, 1_800))


def with_turns(request: LoadRequest, plan: LoadPlan, *, seed: int) -> LoadPlan | None:
    """Return a plan with the trips of each truck, None where no way was found to fit them into the shifts."""
    day = _day_of(request, plan, seed)
    shared = day.shared(request)
    if not shared.loads:
        return None
    vehicles = [day.on_kind(v, kind) for v, (kind, _, _) in enumerate(shared.loads)]
    numbered = zip(shared.loads, vehicles, strict=True)
    turns = turns_of(request, [(truck, trip, one.truck, one.stops) for (_, truck, trip), one in numbered])
    needed = len({turn.vehicle for turn in turns})
    doubt = say(
        "The trips take {needed} trucks; that {trucks_bound} would do is not ruled out.",
        needed=needed,
        trucks_bound=shared.trucks_bound,
    )
    words = (doubt,) if shared.trucks_bound < needed else ()
    return replace(plan, vehicles=tuple(vehicles), turns=turns, reasons=(*plan.reasons, *words))


def shorter(request: LoadRequest, plan: LoadPlan) -> Iterator[LoadRequest]:
    """Yield the request with fewer stops on a trip than a plan makes, and fewer still."""
    most = max(len(one.stops) for one in plan.vehicles)
    for stops in range(most - 1, max(0, most - 1 - _SHORTER), -1):
        yield replace(request, rules=replace(request.rules, max_stops_per_truck=stops))


def unfit(request: LoadRequest, plan: LoadPlan, *, seed: int) -> LoadPlan:
    """Return the refusal of a plan that the shifts do not hold, with what was found to help."""
    day = _day_of(request, plan, seed)
    alone = [words for v in range(len(plan.vehicles)) if (words := day.too_long(v))]
    reasons = alone or [day.too_many(request), *day.helps(request)]
    unplaced = tuple(pallet.id for pallet in request.pallets)
    return LoadPlan("infeasible", plan.lower_bound, (), 0, 0, unplaced, tuple(reasons))


@dataclass(frozen=True)
class _Day:
    """A plan whose trips are to be shared out: its loads, and the trucks of the request that take each."""

    problem: Problem
    loader: QuickLoader
    plan: LoadPlan
    loads: tuple[Load, ...]
    able: tuple[tuple[int, ...], ...]
    seed: int

    def kinds(self, request: LoadRequest, v: int) -> dict[int, Truck]:
        """Return the kinds of truck that take a load, each with its first layout that does."""
        found: dict[int, Truck] = {}
        for t in self.able[v]:
            found.setdefault(request.trucks[t].kind, request.trucks[t])
        return found

    def shared(self, request: LoadRequest) -> Shared:
        """Share the trips out among the trucks of a request, which is this day's or differs in these."""
        jobs: list[Jobs] = [
            {
                kind: None if truck.shift is None else job_of(request.roads, one.stops, truck.shift)
                for kind, truck in self.kinds(request, v).items()
            }
            for v, one in enumerate(self.plan.vehicles)
        ]
        kinds = {truck.kind: truck for truck in request.trucks}
        yards = [
            Yard(kind, len(jobs) if truck.available is None else truck.available, truck.shift)
            for kind, truck in kinds.items()
        ]
        return share_turns(jobs, yards, Budget(_EFFORT, self.seed), _EFFORT)

    def on_kind(self, v: int, kind: int) -> VehiclePlan:
        """Return a load on a truck of a kind, stood anew where that is another than it was planned on."""
        one, request = self.plan.vehicles[v], self.problem.request
        if request.trucks[one.truck].kind == kind:
            return one
        truck = next(t for t in self.able[v] if request.trucks[t].kind == kind)
        carried = {place.pallet for place in one.placements}
        taken = [[name for name in group.pallets if name in carried] for group in self.problem.groups]
        placements = stand(self.problem, self.loader, self.loads[v], taken, truck)
        if placements is None:
            raise AssertionError("a truck was said to take a load and has no deck for it")
        return vehicle_plan(request, placements, truck=truck)

    def too_long(self, v: int) -> str | None:
        """Say of a trip that no shift holds it by itself; None where one does."""
        request, one = self.problem.request, self.plan.vehicles[v]
        shifts = [truck.shift for truck in self.kinds(request, v).values()]
        said: list[tuple[int, int, Shift]] = []
        for shift in shifts:
            if shift is None:
                return None
            job = job_of(request.roads, one.stops, shift)
            if job.back_s(job.soonest_s) <= shift.ends_s:
                return None
            said.append((job.soonest_s, job.back_s(job.soonest_s), shift))
        leaves_s, back_s, shift = min(said, key=lambda each: each[1] - each[2].ends_s)
        return say(
            "shift: the trip to {choices} leaves at {clock} at the soonest and is back at "
            "{clock_back_s}, and the shift ends at {clock_ends_s}; let the truck out longer",
            choices=", ".join(one.stops),
            clock=clock(leaves_s),
            clock_back_s=clock(back_s),
            clock_ends_s=clock(shift.ends_s),
            about=About.TRIPS,
        )

    def too_many(self, request: LoadRequest) -> str:
        """Say that the trips do not follow each other in the shifts there are."""
        counts = [truck.available for truck in {one.kind: one for one in request.trucks}.values()]
        trucks = sum(count for count in counts if count is not None)
        said = (
            say("the shifts do not hold them")
            if self.shared(request).is_settled
            else say("no way to fit them into the shifts was found")
        )
        return say(
            "shift: {n} trips are needed and {which} there; with the time at the dock between two "
            "trips {said}",
            about=About.TRIPS,
            n=len(self.loads),
            which=(say("one truck is") if trucks == 1 else say("{trucks} trucks are", trucks=trucks)),
            said=said,
        )

    def helps(self, request: LoadRequest) -> Iterator[str]:
        """Yield the smallest change of each kind that was tried and does."""
        for more in range(1, _MORE_TRUCKS + 1):
            if self._does(request, _with_more(more)):
                yield say(
                    "With {which} more of each kind they fit.",
                    about=About.VEHICLES,
                    which=(say("one truck") if more == 1 else say("{more} trucks", more=more)),
                )
                break
        for later_s in _LATER_S:
            if self._does(request, _with_later(later_s)):
                yield say(
                    "With shifts that end {later_s} min later they fit.",
                    later_s=later_s // 60,
                    about=About.TRIPS,
                )
                break

    def _does(self, request: LoadRequest, change: Callable[[Truck], Truck]) -> bool:
        changed = replace(request, trucks=tuple(change(truck) for truck in request.trucks))
        return bool(self.shared(changed).loads)


def _with_more(more: int) -> Callable[[Truck], Truck]:
    return lambda truck: (
        truck if truck.available is None else replace(truck, available=truck.available + more)
    )


def _with_later(later_s: int) -> Callable[[Truck], Truck]:
    return lambda truck: (
        truck
        if truck.shift is None
        else replace(truck, shift=replace(truck.shift, ends_s=truck.shift.ends_s + later_s))
    )


def _day_of(request: LoadRequest, plan: LoadPlan, seed: int) -> _Day:
    problem = problem_of(request)
    loader = QuickLoader(problem.deck, seed=seed)
    loads = tuple(_load(problem, one) for one in plan.vehicles)
    able = tuple(
        tuple(dict.fromkeys([one.truck, *loader.trucks_for(problem.deck_groups(load))]))
        for one, load in zip(plan.vehicles, loads, strict=True)
    )
    return _Day(problem, loader, plan, loads, able, seed)


def _load(problem: Problem, one: VehiclePlan) -> Load:
    carried = {place.pallet for place in one.placements}
    return tuple(sum(name in carried for name in group.pallets) for group in problem.groups)
