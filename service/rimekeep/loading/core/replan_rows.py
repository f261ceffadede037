"""How the exact model is told of what stands already: who stays on which place, and what is left of a row."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from rimekeep.loading.core.assignment import VehicleVariables
from rimekeep.loading.core.deck import can_bear, is_half
from rimekeep.loading.core.replan_model import Change, row_of

Stays = dict[str, cp_model.IntVar]
"""Whether each pallet that would better not move stays; those that may not are no question."""


@dataclass(frozen=True)
class _Home:
    """Pallets that stand in one row of one vehicle: all with their lanes, and whether each stays."""

    lanes: Mapping[str, int]
    stay: Mapping[str, cp_model.LinearExprT]


def add_stays(
    model: cp_model.CpModel,
    change: Change,
    fleet: Mapping[int, VehicleVariables],
    trucks: Sequence[int],
) -> Stays | None:
    """Keep what may not move on its place, and count who else stays; None when somebody has no place."""
    if change.is_torn:
        return None
    stays: Stays = {}
    lanes: dict[tuple[int, int], dict[str, int]] = {}
    for name, place in sorted({**change.kept, **change.fixed}.items()):
        if place[0] not in fleet:
            continue
        row = row_of(change, trucks, place)
        if row is None:
            return None
        lanes.setdefault((place[0], row), {})[name] = place[2]
        if name in change.kept:
            stays[name] = model.new_bool_var(f"stay{name}")
    for top, low in change.beneath.items():
        if top in stays and low in stays:
            # Who moves the lower one moves the upper one with it.
            model.add_implication(stays[top], stays[low])
    for v, vehicle in fleet.items():
        columns = {}
        for r in range(len(vehicle.deck.counts)):
            own = lanes.get((v, r), {})
            home = _Home(own, {name: stays.get(name, 1) for name in own})
            _add_home(model, change, vehicle, r, home)
            if change.problem.deck.density > 1:
                columns[r] = _add_columns(model, change, vehicle, r, home, f"v{v}r{r}")
        if columns and not change.problem.deck.rules.is_gap_allowed:
            _add_no_gaps(model, change, vehicle, columns, f"v{v}")
    return stays


def _add_home(
    model: cp_model.CpModel, change: Change, vehicle: VehicleVariables, r: int, home: _Home
) -> None:
    by_group: dict[int, list[cp_model.LinearExprT]] = {}
    for name, stay in home.stay.items():
        by_group.setdefault(change.group_of[name], []).append(stay)
    for g, staying in by_group.items():
        model.add(sum(staying) <= vehicle.deck.counts[r][vehicle.used.index(g)])


def _add_columns(
    model: cp_model.CpModel,
    change: Change,
    vehicle: VehicleVariables,
    r: int,
    home: _Home,
    tag: str,
) -> cp_model.LinearExprT:
    """
    Keep a row to its places where pallets share them around those that stay; return how many places it takes.

    Who stays keeps the pallet below or beside it out of every other pair. Halves that stay in different lanes
    take a place each, and others join them there.
    """
    deck, counts = change.problem.deck, vehicle.deck.counts[r]
    truck, row = deck.trucks[deck.truck_of[r]], deck.rows[r]
    groups = [change.problem.deck_group(g, 1) for g in vehicle.used]
    halves = [i for i, group in enumerate(groups) if is_half(truck, row, group.form)]
    index = {name: vehicle.used.index(change.group_of[name]) for name in home.lanes}
    uppers = [name for name in home.lanes if name in change.beneath]
    lowers = [name for name in home.lanes if name not in uppers and index[name] not in halves]
    pairs: list[cp_model.IntVar] = []
    bound: list[list[cp_model.LinearExprT]] = [[] for _ in groups]
    for name, stay in home.stay.items():
        bound[index[name]].append(stay)
    for i, base in enumerate(groups):
        for j, top in enumerate(groups):
            if not (deck.has_stacks and can_bear(truck, row, base, top)):
                continue
            pair = model.new_int_var(0, row.lanes, f"{tag}pair{i}on{j}")
            pairs.append(pair)
            bound[i].append(pair)
            bound[j].append(pair)
    above: dict[str, list[cp_model.LinearExprT]] = {name: [] for name in lowers}
    for top_name in uppers:
        above[change.beneath[top_name]].append(home.stay[top_name])
    for name in lowers:
        for j, top in enumerate(groups):
            if deck.has_stacks and can_bear(truck, row, groups[index[name]], top):
                joins = model.new_bool_var(f"{tag}{name}bears{j}")
                pairs.append(joins)
                above[name].append(joins)
                bound[j].append(joins)
        model.add(sum(above[name]) <= home.stay[name])
    for i, own in enumerate(bound):
        if own:
            model.add(sum(own) <= counts[i])
    # Who is on top takes no place: new pairs, and those that stay where they are.
    on_top = [*pairs, *(home.stay[name] for name in uppers)]
    taking = [counts[i] for i in range(len(groups)) if i not in halves]
    if halves:
        held = _half_lanes(model, home, index, halves)
        taking.append(_add_halves(model, [counts[i] for i in halves], held, 2 * row.lanes, tag))
    places = cp_model.LinearExpr.weighted_sum([*taking, *on_top], [1] * len(taking) + [-1] * len(on_top))
    model.add(places <= row.lanes)
    return places


def _half_lanes(
    model: cp_model.CpModel, home: _Home, index: Mapping[str, int], halves: Sequence[int]
) -> list[cp_model.LinearExprT]:
    """Return, by lane, whether a half stays in it."""
    by_lane: dict[int, list[cp_model.LinearExprT]] = {}
    for name, lane in home.lanes.items():
        if index[name] in halves:
            by_lane.setdefault(lane, []).append(home.stay[name])
    found: list[cp_model.LinearExprT] = []
    for own in by_lane.values():
        holds = model.new_bool_var("")
        model.add_max_equality(holds, own)
        found.append(holds)
    return found


def _add_halves(
    model: cp_model.CpModel,
    counts: Sequence[cp_model.IntVar],
    held: Sequence[cp_model.LinearExprT],
    most: int,
    tag: str,
) -> cp_model.IntVar:
    """Return the places halves take: two to each, but one for every lane in which one stays."""
    by_two = model.new_int_var(0, most, f"{tag}bytwo")
    model.add(2 * by_two >= sum(counts))
    model.add(2 * by_two <= sum(counts) + 1)
    taken = model.new_int_var(0, most, f"{tag}halves")
    model.add_max_equality(taken, [by_two, sum(held)])
    return taken


def _add_no_gaps(
    model: cp_model.CpModel,
    change: Change,
    vehicle: VehicleVariables,
    columns: Mapping[int, cp_model.LinearExprT],
    tag: str,
) -> None:
    """Leave no place empty ahead of a row that holds something."""
    deck, counts = change.problem.deck, vehicle.deck.counts
    for r in range(1, len(deck.rows)):
        ahead = r - 1
        if (deck.truck_of[ahead], deck.rows[ahead].body) == (deck.truck_of[r], deck.rows[r].body):
            is_full = model.new_bool_var(f"{tag}full{ahead}")
            model.add(columns[ahead] >= deck.rows[ahead].lanes * is_full)
            model.add(sum(counts[r]) <= deck.density * deck.rows[r].lanes * is_full)
