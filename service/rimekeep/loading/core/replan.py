"""
A changed day on decks that are planned already: the fewest pallets moved from where they stand.

What is pinned stays on its place. A pallet that is on board already moves only if nothing else will do, and
only when that is allowed. Who moves the lower pallet of a stack moves the upper one with it. One exact model
decides who stays, and counts per row and group; the other names follow.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ortools.sat.python import cp_model

from rimekeep.loading.core.assignment import add_vehicle
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.replan_model import (
    ABOARD,
    Change,
    Former,
    change_of,
    load_of,
    weight_of,
)
from rimekeep.loading.core.replan_names import Filled, moved_of, named
from rimekeep.loading.core.replan_rows import add_stays
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import say

_ONE_VEHICLE_EFFORT = 1.0


@dataclass(frozen=True, slots=True)
class Replan:
    """
    The new decks, per vehicle pallet, row and lane; empty, with ``reasons``, when there are none.

    Of a stack the lower pallet is listed first; ``upper`` are on top. ``moved`` are pallets that stood
    elsewhere before, or on another one. Fewer than ``moved_bound`` cannot be; the two are equal when
    ``is_proven``.
    """

    placed: tuple[tuple[tuple[str, int, int], ...], ...]
    trucks: tuple[int, ...]
    moved: tuple[str, ...]
    moved_bound: int
    is_proven: bool
    reasons: tuple[str, ...] = ()
    upper: frozenset[str] = frozenset()


def replan(request: LoadRequest, former: Former, *, effort: float = 10.0, seed: int = 0) -> Replan:
    """
    Return decks for a request with the fewest pallets moved from where they stood.

    Pallets that stood on a deck and are no longer asked for are left out; new ones find a place. A vehicle
    more is taken only when those there are cannot do it and the yard has one.
    """
    budget = Budget(effort, seed)
    change = change_of(request, former)
    fleet = list(former.trucks)
    for trucks in (fleet, [*fleet, -1]):
        if trucks is not fleet and not _spare(change):
            break
        answer = _with_stacks(change, budget, trucks)
        if answer is not None:
            return answer
    pins = say(" and with what is pinned or on board staying in place") if change.fixed else ""
    fact = say("No legal decks were found") if budget.left <= 0 else say("There are no legal decks")
    words = say(
        "{fact} with these vehicles or one more of the yard{pins}; free a pallet, or plan anew.",
        fact=fact,
        pins=pins,
    )
    return Replan((), former.trucks, (), 0, is_proven=False, reasons=(words,))


def _with_stacks(change: Change, budget: Budget, trucks: Sequence[int]) -> Replan | None:
    """Return the best decks on these vehicles; stacks are begun only where they spare moves, or a vehicle."""
    if not change.problem.deck.has_stacks or change.former.upper:
        return _with_fleet(change, budget, trucks)
    flat = _with_fleet(replace(change, problem=change.problem.flat), budget, trucks)
    if flat is not None and _cost(change, flat) == _forced(change):
        return flat
    return _better(change, flat, _with_fleet(change, budget, trucks))


def _with_fleet(change: Change, budget: Budget, trucks: Sequence[int]) -> Replan | None:
    """Return the best decks on these vehicles; a truck of -1 may be any the yard has left."""
    everything = range(len(trucks))
    best: Replan | None = None
    if change.problem.rules.is_split_allowed:
        # What has become lighter or heavier, or lost a pallet, may break a limit as it stands.
        broken = [v for v in everything if trucks[v] >= 0 and not _stands(change, budget, trucks, v)]
        for v in everything:
            open_ = sorted({v, *broken})
            found = _solve(change, budget, trucks, open_, _ONE_VEHICLE_EFFORT)
            if found is not None and (best is None or _cost(change, found) < _cost(change, best)):
                best = found
            if best is not None and _cost(change, best) == _forced(change):
                return best
    return _better(change, best, _solve(change, budget, trucks, everything, budget.left))


def _better(change: Change, best: Replan | None, found: Replan | None) -> Replan | None:
    """Return the cheaper of two answers, the first of equal ones; proven is what the second proves."""
    if found is None:
        # What the first proves holds for less than was asked.
        return replace(best, moved_bound=_pieces(_forced(change)), is_proven=False) if best else None
    if best is None or _cost(change, found) < _cost(change, best):
        return found
    bound = min(found.moved_bound, len(best.moved))
    is_proven = found.is_proven and _cost(change, found) == _cost(change, best)
    return replace(best, moved_bound=bound, is_proven=is_proven)


def _stands(change: Change, budget: Budget, trucks: Sequence[int], v: int) -> bool:
    """Tell whether what stays on a vehicle may stay there with nothing else changed."""
    former = change.former
    here = {name: place for name, place in former.places.items() if name in change.group_of and place[0] == v}
    if any(change.fixed.get(name, change.kept.get(name)) != place for name, place in here.items()):
        return False
    if not here:
        return True
    model = cp_model.CpModel()
    demand = load_of(change, list(here))
    vehicle = add_vehicle(model, change.problem, demand, f"v{v}")
    for t, chosen in enumerate(vehicle.deck.chosen):
        model.add(chosen == (t == trucks[v]))
    for g in vehicle.used:
        model.add(vehicle.loaded(g) == demand[g])
    only = replace(change, fixed=here, kept={})
    if add_stays(model, only, {v: vehicle}, trucks) is None:
        return False
    return budget.solve(model, _ONE_VEHICLE_EFFORT)[1] in (cp_model.OPTIMAL, cp_model.FEASIBLE)


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


def _pieces(weight: int) -> int:
    """Return how many pallets weigh so much, with as many of those on board as there can be."""
    return weight // ABOARD + weight % ABOARD


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
    for v in {place[0] for place in former.places.values()} & opened:
        model.add(fleet[v].total() >= 1)  # no trip is left empty
    for g, n in enumerate(demand):
        if n:
            model.add(sum(one.loaded(g) for one in fleet.values()) == n)
    for v, one in fleet.items():
        able = [trucks[v]] if trucks[v] >= 0 else _spare(change)
        for t, chosen in enumerate(one.deck.chosen):
            if t not in able:
                model.add(chosen == 0)
    stays = add_stays(model, change, fleet, trucks)
    if stays is None:
        return None
    movable = sum(weight_of(change, name) for name in change.kept if change.kept[name][0] in opened)
    forced = _forced(change)
    model.minimize(movable - sum(weight_of(change, name) * stay for name, stay in stays.items()))
    search, status = budget.solve(model, most)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    values = {
        v: [[search.value(n) for n in row] for row in vehicle.deck.counts] for v, vehicle in fleet.items()
    }
    staying = {name for name, stay in stays.items() if search.value(stay)} | set(change.fixed)
    taken_on = tuple(
        t if t >= 0 else next((k for k, c in enumerate(fleet[v].deck.chosen) if search.value(c)), 0)
        for v, t in enumerate(trucks)
    )
    filled = [Filled(v, taken_on[v], vehicle.used, values[v]) for v, vehicle in fleet.items()]
    placed, upper = named(change, filled, staying, shut, len(trucks))
    decks = tuple(tuple(placed[v]) for v in range(len(trucks)) if placed[v] or trucks[v] >= 0)
    moved = moved_of(change, decks, upper)
    least = round(search.best_objective_bound) + forced
    is_optimal = status == cp_model.OPTIMAL
    is_whole = len(opened) == len(trucks) or least == forced
    bound = _pieces(least) if is_optimal or not former.may_move_aboard else -(-least // ABOARD)
    return Replan(
        decks,
        tuple(t for v, t in enumerate(taken_on) if placed[v] or trucks[v] >= 0),
        moved,
        bound if is_whole else 0,
        is_proven=is_optimal and is_whole and len(moved) == bound,
        upper=upper,
    )
