"""
A changed day on decks that are planned already: the fewest pallets moved from where they stand.

What is pinned stays on its place. A pallet that is on board already moves only if nothing else will do, and
only when that is allowed. Counts per row and group are decided by one exact model; names follow.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from ortools.sat.python import cp_model

from rimekeep.loading.core.assignment import VehicleVariables, add_vehicle
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.replan_model import (
    ABOARD,
    Change,
    Former,
    Place,
    add_fixed,
    add_stays,
    change_of,
    load_of,
    weight_of,
)
from rimekeep.loading.core.vehicle import LoadRequest

_ONE_VEHICLE_EFFORT = 1.0


@dataclass(frozen=True, slots=True)
class Replan:
    """
    The new decks, per vehicle pallet, row and lane; empty, with ``reasons``, when there are none.

    ``moved`` are pallets that stood elsewhere before. Fewer than ``moved_bound`` cannot be; the two are equal
    when ``is_proven``.
    """

    placed: tuple[tuple[tuple[str, int, int], ...], ...]
    trucks: tuple[int, ...]
    moved: tuple[str, ...]
    moved_bound: int
    is_proven: bool
    reasons: tuple[str, ...] = ()


def replan(request: LoadRequest, former: Former, *, effort: float = 10.0, seed: int = 0) -> Replan:
    """
    Return decks for a request with the fewest pallets moved from where they stood.

    Pallets that stood on a deck and are no longer asked for are left out; new ones find a place. A vehicle
    more is taken only when those there are cannot do it and the yard has one.
    """
    budget = Budget(effort, seed)
    change = change_of(request, former)
    if change.problem.deck.has_stacks and len(set(former.places.values())) == len(former.places):
        # Nothing stands on anything else so far, and nothing needs to.
        change = replace(change, problem=change.problem.flat)
    if change.problem.deck.density > 1:
        words = "Decks where pallets share a place are not mended piece by piece; plan anew."
        return Replan((), former.trucks, (), 0, is_proven=False, reasons=(words,))
    fleet = list(former.trucks)
    for trucks in (fleet, [*fleet, -1]):
        if trucks is not fleet and not _spare(change):
            break
        answer = _with_fleet(change, budget, trucks)
        if answer is not None:
            return answer
    pins = " and with what is pinned or on board staying in place" if change.fixed else ""
    words = (
        "No legal decks were found" if budget.left <= 0 else "There are no legal decks"
    ) + f" with these vehicles or one more of the yard{pins}; free a pallet, or plan anew."
    return Replan((), former.trucks, (), 0, is_proven=False, reasons=(words,))


def _with_fleet(change: Change, budget: Budget, trucks: Sequence[int]) -> Replan | None:
    """Return the best decks on these vehicles; a truck of -1 may be any the yard has left."""
    problem = change.problem
    everything = range(len(trucks))
    best: Replan | None = None
    if problem.rules.is_split_allowed:
        for v in everything:
            found = _solve(change, budget, trucks, [v], _ONE_VEHICLE_EFFORT)
            if found is not None and (best is None or _cost(change, found) < _cost(change, best)):
                best = found
            if best is not None and _cost(change, best) == _forced(change):
                return best
    found = _solve(change, budget, trucks, everything, budget.left)
    if found is None:
        return best
    if best is None or _cost(change, found) < _cost(change, best):
        return found
    bound = min(found.moved_bound, len(best.moved))
    is_proven = found.is_proven and _cost(change, found) == _cost(change, best)
    return Replan(best.placed, best.trucks, best.moved, bound, is_proven)


def _spare(change: Change) -> list[int]:
    """Return the trucks of the request of whose kind the yard has one left."""
    request = change.problem.request
    numbers = change.former.vehicles or range(len(change.former.trucks))
    own = dict(zip(numbers, change.former.trucks, strict=True))
    kinds = [request.trucks[t].kind for t in own.values()]
    return [
        t
        for t, truck in enumerate(request.trucks)
        if truck.available is None or kinds.count(truck.kind) < truck.available
    ]


def _forced(change: Change) -> int:
    """Return what moves at least: pallets pinned elsewhere, and those whose place is pinned for another."""
    standing = {name for name in change.former.places if name in change.group_of}
    stay = {name for name in change.fixed if change.fixed[name] == change.former.places.get(name)}
    return sum(weight_of(change, name) for name in standing - stay - set(change.kept))


def _cost(change: Change, answer: Replan) -> int:
    return sum(weight_of(change, name) for name in answer.moved)


def _solve(
    change: Change, budget: Budget, trucks: Sequence[int], open_: Sequence[int], most: float
) -> Replan | None:
    """Decide the vehicles in ``open_`` anew and leave the others as they are; None when that cannot be."""
    problem, former = change.problem, change.former
    opened = set(open_)
    shut = {
        name: place
        for name, place in former.places.items()
        if name in change.group_of and place[0] not in opened
    }
    if any(change.fixed.get(name, change.kept.get(name)) != place for name, place in shut.items()):
        return None  # something has to leave or enter a vehicle that is not open
    if any(place[0] not in opened and name not in shut for name, place in change.fixed.items()):
        return None
    demand = load_of(change, [name for name in change.group_of if name not in shut])
    if not any(demand):
        return None
    model = cp_model.CpModel()
    fleet = {v: add_vehicle(model, problem, demand, f"v{v}") for v in open_}
    for g, n in enumerate(demand):
        if n:
            model.add(sum(one.loaded(g) for one in fleet.values()) == n)
    for v, one in fleet.items():
        able = [trucks[v]] if trucks[v] >= 0 else _spare(change)
        for t, chosen in enumerate(one.deck.chosen):
            if t not in able:
                model.add(chosen == 0)
    if not add_fixed(model, change, fleet, trucks):
        return None
    stays = add_stays(model, change, fleet, trucks)
    movable = sum(weight_of(change, name) for name in change.kept if change.kept[name][0] in opened)
    forced = _forced(change)
    model.minimize(movable - sum(stays.weights[key] * n for key, n in stays.counts.items()))
    search, status = budget.solve(model, most)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    placed = _named(change, fleet, trucks, shut, search)
    taken_on = tuple(
        t if t >= 0 else next((k for k, c in enumerate(fleet[v].deck.chosen) if search.value(c)), 0)
        for v, t in enumerate(trucks)
        if t >= 0 or placed[v]
    )
    decks = tuple(tuple(sorted(deck, key=lambda at: at[1:])) for v, deck in sorted(placed.items()))
    now = {name: (v, row, lane) for v, deck in enumerate(decks) for name, row, lane in deck}
    moved = tuple(
        sorted(name for name, at in former.places.items() if name in change.group_of and now[name] != at)
    )
    least = round(search.best_objective_bound) + forced
    least = least // ABOARD + least % ABOARD
    is_whole = len(opened) == len(trucks) or least == forced
    is_proven = status == cp_model.OPTIMAL and is_whole and len(moved) == least
    return Replan(decks, taken_on, moved, least if is_whole else 0, is_proven)


def _named(
    change: Change,
    fleet: Mapping[int, VehicleVariables],
    trucks: Sequence[int],
    shut: Mapping[str, Place],
    search: cp_model.CpSolver,
) -> dict[int, list[tuple[str, int, int]]]:
    """Give every place its pallet: what is fixed first, then what stays, then the others."""
    deck = change.problem.deck
    placed: dict[int, list[tuple[str, int, int]]] = {v: [] for v in range(len(trucks))}
    for name, (v, row, lane) in shut.items():
        placed[v].append((name, row, lane))
    open_rows: list[tuple[int, int, int, list[int], dict[int, int]]] = []
    at_home = {**change.kept, **change.fixed}
    done: set[str] = set(shut)
    for v, one in fleet.items():
        truck = trucks[v]
        if truck < 0:
            truck = next((t for t, c in enumerate(one.deck.chosen) if search.value(c)), 0)
        rows = deck.rows_of(truck)
        for r in rows:
            counts = {g: search.value(one.deck.counts[r][i]) for i, g in enumerate(one.used)}
            lanes = list(range(deck.rows[r].lanes))
            here = [name for name, place in at_home.items() if place[:2] == (v, r - rows.start)]
            # What is fixed comes first, then what is on board: those weigh most.
            for name in sorted(
                here, key=lambda name: (name not in change.fixed, -weight_of(change, name), name)
            ):
                g, lane = change.group_of[name], at_home[name][2]
                if counts.get(g, 0) and name not in done:
                    placed[v].append((name, r - rows.start, lane))
                    counts[g] -= 1
                    lanes.remove(lane)
                    done.add(name)
            open_rows.append((v, r - rows.start, truck, lanes, counts))
    pool = [sorted(set(group.pallets) - done) for group in change.problem.groups]
    for v, row, _, lanes, counts in open_rows:
        for g in sorted(counts, reverse=True):
            for _ in range(counts[g]):
                placed[v].append((pool[g].pop(0), row, lanes.pop(0)))
    return placed
