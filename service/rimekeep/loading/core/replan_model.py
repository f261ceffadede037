"""What stands already against what is asked now, and how the exact model is told of both."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from rimekeep.loading.core.assignment import VehicleVariables
from rimekeep.loading.core.problem import Load, Problem, problem_of
from rimekeep.loading.core.vehicle import LoadRequest

Place = tuple[int, int, int]
"""Vehicle, row from the front wall and lane from the left, all from 0."""

# One moved pallet that is on board already weighs as many that are not.
ABOARD = 1000


@dataclass(frozen=True, slots=True)
class Former:
    """
    What stands already: where each pallet does, and which truck of the request each vehicle is.

    ``aboard`` are loaded; they move only with ``may_move_aboard``. ``pinned`` pallets go to the places given.
    ``vehicles`` number those that make several trips alike, None: each load has a vehicle of its own.
    """

    places: Mapping[str, Place]
    trucks: tuple[int, ...]
    aboard: frozenset[str] = frozenset()
    may_move_aboard: bool = False
    pinned: Mapping[str, Place] | None = None
    vehicles: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Change:
    """A request against what stands: ``fixed`` may not leave their places, ``kept`` would better not."""

    problem: Problem
    former: Former
    group_of: Mapping[str, int]
    fixed: Mapping[str, Place]
    kept: Mapping[str, Place]


def change_of(request: LoadRequest, former: Former) -> Change:
    problem = problem_of(request)
    group_of = {name: g for g, group in enumerate(problem.groups) for name in group.pallets}
    standing = {name: place for name, place in former.places.items() if name in group_of}
    fixed = {name: place for name, place in (former.pinned or {}).items() if name in group_of}
    if not former.may_move_aboard:
        fixed = {name: place for name, place in standing.items() if name in former.aboard} | fixed
    taken = set(fixed.values())
    kept = {name: place for name, place in standing.items() if name not in fixed and place not in taken}
    return Change(problem, former, group_of, fixed, kept)


def weight_of(change: Change, name: str) -> int:
    return ABOARD if name in change.former.aboard else 1


def load_of(change: Change, names: Collection[str]) -> Load:
    load = [0] * len(change.problem.groups)
    for name in names:
        load[change.group_of[name]] += 1
    return tuple(load)


def row_of(change: Change, trucks: Sequence[int], place: Place) -> int | None:
    """Return the row of the long deck a place is in, None when the vehicle has no such place."""
    truck = trucks[place[0]] if place[0] < len(trucks) else -1
    if truck < 0:
        return None
    rows = change.problem.deck.rows_of(truck)
    if not 0 <= place[1] < len(rows) or not 0 <= place[2] < change.problem.deck.rows[rows[place[1]]].lanes:
        return None
    return rows[place[1]]


def add_fixed(
    model: cp_model.CpModel,
    change: Change,
    fleet: Mapping[int, VehicleVariables],
    trucks: Sequence[int],
) -> bool:
    """Keep what may not move on its place; False when two are to stand on one, or one nowhere."""
    own = {name: place for name, place in change.fixed.items() if place[0] in fleet}
    if len(set(change.fixed.values())) < len(change.fixed):
        return False
    least: dict[tuple[int, int, int], int] = {}
    for name, place in own.items():
        row = row_of(change, trucks, place)
        if row is None:
            return False
        key = (place[0], row, change.group_of[name])
        least[key] = least.get(key, 0) + 1
    for (v, row, g), n in least.items():
        model.add(fleet[v].deck.counts[row][fleet[v].used.index(g)] >= n)
    return True


@dataclass(frozen=True)
class Stays:
    """How many pallets stay, by vehicle, row, group and weight."""

    counts: dict[tuple[int, int, int, int], cp_model.IntVar]
    weights: dict[tuple[int, int, int, int], int]


def add_stays(
    model: cp_model.CpModel,
    change: Change,
    fleet: Mapping[int, VehicleVariables],
    trucks: Sequence[int],
) -> Stays:
    there: dict[tuple[int, int, int], dict[int, int]] = {}
    for name, place in change.kept.items():
        row = row_of(change, trucks, place)
        if place[0] in fleet and row is not None:
            by_weight = there.setdefault((place[0], row, change.group_of[name]), {})
            by_weight[weight_of(change, name)] = by_weight.get(weight_of(change, name), 0) + 1
    pinned: dict[tuple[int, int, int], int] = {}
    for name, place in change.fixed.items():
        row = row_of(change, trucks, place)
        if row is not None:
            key = (place[0], row, change.group_of[name])
            pinned[key] = pinned.get(key, 0) + 1
    stays = Stays({}, {})
    for (v, row, g), by_weight in there.items():
        counts = []
        for weight, n in by_weight.items():
            stay = model.new_int_var(0, n, f"stay{v}r{row}g{g}w{weight}")
            stays.counts[v, row, g, weight], stays.weights[v, row, g, weight] = stay, weight
            counts.append(stay)
        loaded = fleet[v].deck.counts[row][fleet[v].used.index(g)]
        model.add(sum(counts) <= loaded - pinned.get((v, row, g), 0))
    return stays
