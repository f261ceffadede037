"""
Pallets to vehicles, each vehicle with its deck inside the same model.

A full truck with several drops fails on its axles in many nearly equal ways, so sending back one cut per
composition would take many rounds. With the decks inside, the solver derives what it needs, and "no plan with
this many vehicles" is one proof that knows every axle in every state.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from ortools.sat.python import cp_model

from rimekeep.loading.core.deck import Counts
from rimekeep.loading.core.deck_model import DeckVariables, add_deck
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.problem import Load, Problem, stop_bounds


@dataclass(frozen=True)
class VehicleVariables:
    """One vehicle inside a model: its deck over ``used`` groups, and whether it visits each stop."""

    used: tuple[int, ...]
    deck: DeckVariables
    visits: dict[str, cp_model.IntVar]

    def loaded(self, group: int) -> cp_model.LinearExprT:
        """Return how many pallets of a group of the problem are on board."""
        return self.deck.loaded(self.used.index(group))

    def total(self) -> cp_model.LinearExprT:
        """Return how many pallets are on board."""
        return cp_model.LinearExpr.sum([n for row in self.deck.counts for n in row])


def add_vehicle(
    model: cp_model.CpModel, problem: Problem, demand: Sequence[int], tag: str
) -> VehicleVariables:
    """Add a vehicle that may carry any part of a demand."""
    places = problem.deck.places
    used = tuple(g for g, n in enumerate(demand) if n)
    groups = [problem.deck_group(g, min(places, demand[g])) for g in used]
    deck = add_deck(model, problem.deck, groups, tag)
    stops = sorted({problem.groups[g].stop for g in used})
    visits = {stop: model.new_bool_var(f"{tag}visits{stop}") for stop in stops}
    vehicle = VehicleVariables(used, deck, visits)
    for g in used:
        visit = visits[problem.groups[g].stop]
        if problem.rules.is_split_allowed:
            model.add(vehicle.loaded(g) <= min(places, demand[g]) * visit)
        else:
            model.add(vehicle.loaded(g) == demand[g] * visit)
    if problem.rules.max_stops_per_truck is not None:
        model.add(sum(visits.values()) <= problem.rules.max_stops_per_truck)
    add_temperature(model, problem, {g: vehicle.loaded(g) for g in used}, tag)
    return vehicle


def add_temperature(
    model: cp_model.CpModel, problem: Problem, loaded: Mapping[int, cp_model.LinearExprT], tag: str
) -> None:
    """Keep classes without a common setpoint apart on a vehicle that carries these counts of these groups."""
    if problem.deck.is_divided:
        return  # each compartment by itself, in the deck
    clashing = sorted({name for pair in problem.clashes for name in pair})
    carries = {}
    for name in clashing:
        own = [g for g in loaded if problem.groups[g].temperature_class == name]
        if own:
            carries[name] = model.new_bool_var(f"{tag}carries{name}")
            model.add(sum(loaded[g] for g in own) <= problem.deck.places * carries[name])
    for a, b in sorted(problem.clashes):
        if a in carries and b in carries:
            model.add_at_most_one([carries[a], carries[b]])


@dataclass(frozen=True, slots=True)
class Assigned:
    """What a search over a number of vehicles found: loads (None without any), and what it proved."""

    loads: tuple[Load, ...] | None
    is_impossible: bool = False
    bound: int = 0


def assign(
    problem: Problem,
    loader: Loader,
    budget: Budget,
    *,
    vehicles: int,
    demand: Load,
    most: float,
    is_fewest_visits: bool = False,
    hint: Sequence[Load] = (),
) -> Assigned:
    """
    Return loads of ``demand`` on a number of vehicles, decks included.

    Any plan will do, or one with the fewest stop-vehicle pairs.
    """
    model = cp_model.CpModel()
    fleet = [add_vehicle(model, problem, demand, f"v{v}") for v in range(vehicles)]
    for g in fleet[0].used:
        model.add(sum(vehicle.loaded(g) for vehicle in fleet) == demand[g])
    least = stop_bounds(problem) if demand == problem.demand else {}
    for stop in fleet[0].visits:
        model.add(sum(vehicle.visits[stop] for vehicle in fleet) >= least.get(stop, 1))
    _add_yard(model, problem, fleet)
    for ahead, behind in pairwise(fleet):
        model.add(ahead.total() >= behind.total())
    if is_fewest_visits:
        model.minimize(sum(visit for vehicle in fleet for visit in vehicle.visits.values()))
    _add_hint(model, problem, loader, fleet, hint)
    search, status = budget.solve(model, most)
    if status == cp_model.INFEASIBLE:
        return Assigned(None, is_impossible=True)
    bound = round(search.best_objective_bound) if is_fewest_visits else 0
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Assigned(None, bound=bound)
    loads = []
    for vehicle in fleet:
        rows = [[search.value(n) for n in row] for row in vehicle.deck.counts]
        load = [0] * len(problem.groups)
        for i, g in enumerate(vehicle.used):
            load[g] = sum(row[i] for row in rows)
        if any(load):
            keep = [i for i, g in enumerate(vehicle.used) if load[g]]
            deck: Counts = tuple(tuple(row[i] for i in keep) for row in rows)
            loader.learn(problem.deck_groups(load), deck)
            loads.append(tuple(load))
    return Assigned(tuple(loads), bound=bound)


def _add_yard(model: cp_model.CpModel, problem: Problem, fleet: Sequence[VehicleVariables]) -> None:
    """Take no more of any kind than stand in the yard; a vehicle that carries nothing is not taken."""
    if not problem.deck.is_choice:
        return
    trucks = problem.deck.trucks
    for kind, most in problem.request.fleet.items():
        if most is None or most >= len(fleet):
            continue
        own = [t for t, truck in enumerate(trucks) if truck.kind == kind]
        taken = []
        for v, vehicle in enumerate(fleet):
            is_taken = model.new_bool_var(f"v{v}kind{kind}")
            rows = [n for t in own for r in problem.deck.rows_of(t) for n in vehicle.deck.counts[r]]
            model.add(sum(rows) <= problem.deck.places * is_taken)
            taken.append(is_taken)
        model.add(sum(taken) <= most)


def _add_hint(
    model: cp_model.CpModel,
    problem: Problem,
    loader: Loader,
    fleet: Sequence[VehicleVariables],
    hint: Sequence[Load],
) -> None:
    fullest_first = sorted(hint, key=lambda load: (-sum(load), load))
    for vehicle, load in zip(fleet, fullest_first, strict=False):
        known = loader.arrange(problem.deck_groups(load))
        carried = [g for g, n in enumerate(load) if n]
        for i, g in enumerate(vehicle.used):
            for r, row in enumerate(vehicle.deck.counts):
                count = known[r][carried.index(g)] if known and g in carried else 0
                model.add_hint(row[i], count)
