"""
Pallets to vehicles with decks aside: places, payload, temperatures, stops, and what decks have taught.

A light model shares the pallets out, each vehicle's deck is then looked for by itself, and a load without a
legal deck teaches a lesson: the smallest part of it that already fails. Lessons steer the search; they prove
nothing, because more goods behind an axle may make a failing load legal again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import lcm

from ortools.sat.python import cp_model

from rimekeep.loading.core.assignment import add_temperature
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.firstfit import fits
from rimekeep.loading.core.fleet import is_staffed
from rimekeep.loading.core.problem import Load, Problem
from rimekeep.loading.core.statics import exact

Lesson = tuple[tuple[tuple[int, ...], int], ...]
"""Not all of these on one vehicle: so many pallets or more, together, of these groups."""


class Lessons:
    """What failed decks have taught about one problem."""

    def __init__(self, problem: Problem, loader: Loader) -> None:
        self._problem = problem
        self._loader = loader
        self.found: dict[Lesson, None] = {}

    def learn(self, load: Sequence[int]) -> None:
        """Keep the smallest part of a failed load that still fails, with all that is heavier in its place."""
        left = list(load)
        groups = self._problem.groups
        stops = sorted(self._problem.stops_of(load))
        for stop in stops:
            without = [0 if groups[g].stop == stop else n for g, n in enumerate(left)]
            if any(without) and not fits(self._problem, self._loader, without):
                left = without
        for g in range(len(left)):
            while left[g]:
                step = max(1, left[g] // 2)
                without = [*left[:g], left[g] - step, *left[g + 1 :]]
                if not any(without) or fits(self._problem, self._loader, without):
                    if step == 1:
                        break
                    without = [*left[:g], left[g] - 1, *left[g + 1 :]]
                    if fits(self._problem, self._loader, without):
                        break
                left = without
        self.found.setdefault(tuple(self._part(left, g) for g, n in enumerate(left) if n))

    def _part(self, load: Sequence[int], g: int) -> tuple[tuple[int, ...], int]:
        groups = self._problem.groups
        heavier = tuple(
            k
            for k, other in enumerate(groups)
            if other.seq == groups[g].seq and other.mass_kg >= groups[g].mass_kg
        )
        return heavier, sum(load[k] for k in heavier)


@dataclass(frozen=True)
class Share:
    """One vehicle of the light model."""

    loaded: dict[int, cp_model.IntVar]
    visits: dict[str, cp_model.IntVar]


@dataclass(frozen=True, slots=True)
class Shared:
    """Loads, one a vehicle, empty ones too, and what found no room; ``loads`` None without an answer."""

    loads: tuple[Load, ...] | None
    over: Load = ()
    is_impossible: bool = False


@dataclass(frozen=True, slots=True)
class Wanted:
    """
    What is to be shared out over how many vehicles.

    ``may_leave`` lets goods stay behind, as few as can be; else all go, in as few visits as can be and in
    ``visits_most`` at most.
    """

    vehicles: int
    demand: Load
    may_leave: bool = False
    visits_most: int | None = None
    hint: tuple[Load, ...] = ()


def share(problem: Problem, budget: Budget, lessons: Lessons, wanted: Wanted, *, most: float) -> Shared:
    """Return loads that keep all but the deck's own rules."""
    model = cp_model.CpModel()
    demand = wanted.demand
    fleet = [add_share(model, problem, demand, f"v{v}") for v in range(wanted.vehicles)]
    over = {g: model.new_int_var(0, demand[g] if wanted.may_leave else 0, f"o{g}") for g in fleet[0].loaded}
    for g in over:
        model.add(sum(one.loaded[g] for one in fleet) + over[g] == demand[g])
    visits = sum(visit for one in fleet for visit in one.visits.values())
    model.minimize(len(fleet) * len(fleet[0].visits) * sum(over.values()) + visits)
    if wanted.visits_most is not None:
        model.add(visits <= wanted.visits_most)
    for v, one in enumerate(fleet):
        add_lessons(model, one, demand, lessons, f"v{v}")
    for one, load in zip(fleet, wanted.hint, strict=False):
        for g, n in one.loaded.items():
            model.add_hint(n, load[g])
    search, status = budget.solve(model, most)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Shared(None, is_impossible=status == cp_model.INFEASIBLE)

    def values(variables: Mapping[int, cp_model.IntVar]) -> Load:
        return tuple(search.value(variables[g]) if g in variables else 0 for g in range(len(demand)))

    return Shared(tuple(values(one.loaded) for one in fleet), values(over))


def add_share(
    model: cp_model.CpModel,
    problem: Problem,
    demand: Load,
    tag: str,
    *,
    weight_most_kg: float | None = None,
    trucks: Sequence[int] | None = None,
) -> Share:
    """Add a vehicle, one of the trucks given, that may carry any part of a demand, its deck aside."""
    deck = problem.deck
    places = deck.places
    used = [g for g, n in enumerate(demand) if n]
    loaded = {g: model.new_int_var(0, min(places, demand[g]), f"{tag}g{g}") for g in used}
    stops = sorted({problem.groups[g].stop for g in used})
    visits = {stop: model.new_bool_var(f"{tag}visits{stop}") for stop in stops}
    for g in used:
        visit = visits[problem.groups[g].stop]
        if problem.rules.is_split_allowed:
            model.add(loaded[g] <= min(places, demand[g]) * visit)
        else:
            model.add(loaded[g] == demand[g] * visit)
    own = range(len(deck.trucks)) if trucks is None else trucks
    chosen = {t: model.new_bool_var(f"{tag}t{t}") for t in own}
    model.add_exactly_one(chosen.values())
    model.add(sum(loaded.values()) <= sum(deck.places_of(t) * is_it for t, is_it in chosen.items()))
    most_kg = {t: problem.payloads_kg[t] for t in own}
    if weight_most_kg is not None:
        most_kg = {t: min(kg, exact(weight_most_kg)) for t, kg in most_kg.items()}
    scale = lcm(*(kg.denominator for kg in most_kg.values()), *(problem.masses[g].denominator for g in used))
    weight = sum(int(problem.masses[g] * scale) * loaded[g] for g in used)
    model.add(weight <= sum(int(most_kg[t] * scale) * is_it for t, is_it in chosen.items()))
    if problem.rules.max_stops_per_truck is not None:
        model.add(sum(visits.values()) <= problem.rules.max_stops_per_truck)
    add_temperature(model, problem, {g: loaded[g] for g in used}, tag)
    return Share(loaded, visits)


def add_lessons(model: cp_model.CpModel, one: Share, demand: Load, lessons: Lessons, tag: str) -> None:
    """Forbid a vehicle what failed decks have taught."""
    reached: dict[tuple[tuple[int, ...], int], cp_model.IntVar] = {}
    for lesson in lessons.found:
        if any(sum(demand[g] for g in groups) < count for groups, count in lesson):
            continue
        for groups, count in lesson:
            if (groups, count) not in reached:
                is_there = model.new_bool_var(f"{tag}l{len(reached)}")
                pieces = sum(one.loaded[g] for g in groups if g in one.loaded)
                model.add(pieces <= count - 1).only_enforce_if(is_there.Not())
                reached[groups, count] = is_there
        model.add_bool_or([reached[part].Not() for part in lesson])


def share_legally(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    lessons: Lessons,
    wanted: Wanted,
    *,
    most: float,
    others: Sequence[Load] = (),
    tries: int = 8,
) -> Shared:
    """
    Share out and look for decks in turn until every load has one; without loads if it never came to that.

    With ``others`` on the road too, the yard must have vehicles for all.
    """
    floor = max(0.0, budget.left - most)
    for _ in range(tries):
        if budget.left <= floor:
            break
        found = share(problem, budget, lessons, wanted, most=budget.left - floor)
        if found.loads is None:
            return found
        failed = [load for load in found.loads if any(load) and not fits(problem, loader, load)]
        if not failed:
            carried = [load for load in found.loads if any(load)]
            return found if is_staffed(problem, loader, [*others, *carried]) else Shared(None)
        for load in failed:
            lessons.learn(load)
    return Shared(None)
