"""
Plans whose order of drops nobody has given: stops near each other together, each truck in its best order.

The number of vehicles and visits comes first, as in any plan. Then what goes on which truck is taken from the
planner or from a routing library that shares the stops out, whichever drives less, and every deck is solved
anew for the best order it can be loaded in.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise, product
from math import ceil

from rimekeep.loading.core.drives import Drive, drive_of
from rimekeep.loading.core.drop_lines import closed, in_line, in_order, numbered
from rimekeep.loading.core.drop_order import Order, Pair, TooHard, best_orders
from rimekeep.loading.core.drop_routing import Piece, Room, order_by_library, share_drops
from rimekeep.loading.core.effort import Tell
from rimekeep.loading.core.exact_loader import Undecided
from rimekeep.loading.core.fleet import staff
from rimekeep.loading.core.loader import QuickLoader
from rimekeep.loading.core.misfit import idle_stops
from rimekeep.loading.core.plan import LoadPlan, Placement, VehiclePlan, vehicle_plan
from rimekeep.loading.core.planner import doubts, plan_loads
from rimekeep.loading.core.problem import Problem, problem_of, stop_bounds, vehicles_bound
from rimekeep.loading.core.roads import Roads
from rimekeep.loading.core.standing import stand
from rimekeep.loading.core.turn_planner import shorter, unfit, with_turns
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import noted, say

# Orders of one truck that are tried for a deck, best first.
_MOST_ORDERS = 40
# Vehicles over the bound the stops are shared out among before one long round is taken instead.
_MORE_TRUCKS = 3
# Caps on weight, over what an even spread puts on every vehicle: axles of full decks ask for room.
_CAPS = (1.05, 1.15, None)


@dataclass(frozen=True, slots=True)
class DrivenPlan:
    """A plan, the request with the order of drops it is for, and each vehicle's drive (none: no roads)."""

    request: LoadRequest
    plan: LoadPlan
    drives: tuple[Drive, ...]


def plan_drives(
    request: LoadRequest, *, effort: float = 20.0, seed: int = 0, tell: Tell | None = None
) -> DrivenPlan:
    """
    Return the plan of a request with what its trucks drive; an order of drops nobody gave is chosen.

    Parameters are those of `plan_loads`, which plans for a given order.
    """
    found = _candidates(request, effort, seed, tell)
    best = _in_shifts(found, seed) if request.has_shifts and found[0].plan.vehicles else found[0]
    if best is None:
        best = _with_shorter_trips(request, found[0], effort, seed, tell)
    return _told(best) if request.is_order_open and best.plan.vehicles else best


def _with_shorter_trips(
    request: LoadRequest, first: DrivenPlan, effort: float, seed: int, tell: Tell | None
) -> DrivenPlan:
    """Return more trips with fewer stops each, as those planned first do not fit the shifts, or a refusal."""
    for changed in shorter(request, first.plan):
        found = _in_shifts(_candidates(changed, effort / 4, seed, tell), seed)
        if found is None:
            continue
        template = (
            noted(
                "At least {least} trips are needed; with as few as {loads} none was found that fits "
                "the shifts."
            )
            if request.load_word == "trip"
            else noted(
                "At least {least} trucks are needed; with as few as {loads} none was found that fits "
                "the shifts."
            )
        )
        words = say(template, least=first.plan.lower_bound, loads=len(first.plan.vehicles))
        plan = replace(
            found.plan,
            status="feasible",
            lower_bound=first.plan.lower_bound,
            visits_bound=sum(stop_bounds(problem_of(request)).values()),
            reasons=(*found.plan.reasons, words),
        )
        return DrivenPlan(replace(found.request, rules=request.rules), plan, found.drives)
    return DrivenPlan(first.request, unfit(first.request, first.plan, seed=seed), ())


def _in_shifts(candidates: Sequence[DrivenPlan], seed: int) -> DrivenPlan | None:
    """Return the best of some plans whose trips follow each other in the shifts, None where none do."""
    found = [
        _driven(one.request, plan)
        for one in candidates
        if one.plan.vehicles and (plan := with_turns(one.request, one.plan, seed=seed)) is not None
    ]
    return min(found, key=_rank, default=None)


def _candidates(request: LoadRequest, effort: float, seed: int, tell: Tell | None) -> list[DrivenPlan]:
    """Return plans of a request, the best one first; a refusal alone where it cannot be loaded."""
    if not request.is_order_open or request.roads is None:
        return [_driven(request, plan_loads(request, effort=effort, seed=seed, tell=tell))]
    ordered = in_order(request, _first_order(request, request.roads))
    plan = plan_loads(ordered, effort=effort, seed=seed, tell=tell)
    if not plan.vehicles:
        words = say("This holds for the order of drops that was chosen; give 'seq' to try another.")
        return [DrivenPlan(ordered, replace(plan, reasons=(*plan.reasons, words)), ())]
    found = [_driven(ordered, _judged(ordered, plan, plan.vehicles))]
    for decks in (_decks_of(plan), *_shared_anew(ordered, request.roads, plan, seed)):
        arranged = _arranged(ordered, request.roads, decks, seed)
        if arranged is not None:
            found.append(_driven(arranged[0], _judged(arranged[0], plan, arranged[1])))
    return sorted(found, key=_rank)


def _told(found: DrivenPlan) -> DrivenPlan:
    """Return the same with word of every truck that cannot go the best way."""
    words = tuple(
        say(
            "Truck {number} does not go the best way ({choices}): no legal deck was found for it, or "
            "another truck serves the same stops in another order.",
            number=number,
            choices=", ".join(drive.best),
        )
        for number, drive in enumerate(found.drives, 1)
        if drive.best is not None and not drive.is_best
    )
    return replace(found, plan=replace(found.plan, reasons=(*found.plan.reasons, *words)))


def _rank(one: DrivenPlan) -> tuple[int, ...]:
    costs = [drive.run.cost for drive in one.drives]
    return (
        len(one.plan.vehicles),
        one.plan.visits,
        one.plan.trucks_needed,
        *map(sum, zip(*costs, strict=True)),
    )


def _driven(request: LoadRequest, plan: LoadPlan) -> DrivenPlan:
    if request.roads is None:
        return DrivenPlan(request, plan, ())
    leaves_s = [turn.leaves_s for turn in plan.turns] or [None] * len(plan.vehicles)
    drives = [
        drive_of(request.roads if at_s is None else replace(request.roads, leaves_s=at_s), one.stops)
        for one, at_s in zip(plan.vehicles, leaves_s, strict=True)
    ]
    return DrivenPlan(request, plan, tuple(drives))


def _first_order(request: LoadRequest, roads: Roads) -> list[str]:
    """Return all stops, those that would share a truck one after the other."""
    problem = problem_of(request)
    places, payload_kg = problem.deck.places, float(problem.payload_kg)
    pieces = []
    for k, call in enumerate(roads.calls):
        masses_kg = [pallet.mass_kg for pallet in request.pallets if pallet.stop == call.id]
        parts = max(1, -(-len(masses_kg) // places), ceil(sum(masses_kg) / payload_kg))
        pieces += [Piece(k, -(-len(masses_kg) // parts), sum(masses_kg) / parts)] * parts
    least = max(1, vehicles_bound(problem))
    for trucks in range(least, least + _MORE_TRUCKS + 1):
        room = Room(trucks, places, payload_kg, request.rules.max_stops_per_truck)
        shared = share_drops(roads, pieces, room)
        if shared is not None:
            return list(dict.fromkeys(roads.calls[pieces[p].call].id for route in shared for p in route))
    return [roads.calls[k].id for k in order_by_library(roads)]


Decks = list[tuple[list[str], int]]
"""Per vehicle its pallets and its number among the request's trucks."""


def _decks_of(plan: LoadPlan) -> Decks:
    return [([place.pallet for place in one.placements], one.truck) for one in plan.vehicles]


def _shared_anew(request: LoadRequest, roads: Roads, plan: LoadPlan, seed: int) -> Iterator[Decks]:
    """
    Yield other ways to share whole stops out, among as many vehicles and among one less if that may do.

    One less, because a deck that is illegal in the first order may be legal in the next best one.
    """
    pallets: dict[str, list[str]] = {call.id: [] for call in roads.calls}
    masses_kg = dict.fromkeys(pallets, 0.0)
    for pallet in request.pallets:
        pallets[pallet.stop].append(pallet.id)
        masses_kg[pallet.stop] += pallet.mass_kg
    served = [k for k, call in enumerate(roads.calls) if pallets[call.id]]
    pieces = [Piece(k, len(pallets[roads.calls[k].id]), masses_kg[roads.calls[k].id]) for k in served]
    problem, most = problem_of(request), len(plan.vehicles)
    payload_kg, places = float(problem.payload_kg), problem.deck.places
    least = max(1, vehicles_bound(problem), most - 1)
    tried = set()
    for trucks, over in product(range(least, most + 1), _CAPS):
        even_kg = sum(masses_kg.values()) / trucks
        cap_kg = payload_kg if over is None else min(payload_kg, over * even_kg)
        room = Room(trucks, places, cap_kg, request.rules.max_stops_per_truck)
        shared = share_drops(roads, pieces, room)
        routes = [[roads.calls[pieces[p].call].id for p in route] for route in shared or () if route]
        if routes and str(routes) not in tried:
            tried.add(str(routes))
            taken = _trucks_for(request, routes, seed)
            if taken is not None:
                yield [
                    ([pallet for stop in route for pallet in pallets[stop]], truck)
                    for route, truck in zip(routes, taken, strict=True)
                ]


def _trucks_for(request: LoadRequest, routes: Sequence[Sequence[str]], seed: int) -> list[int] | None:
    """Return a truck of the request for each route, None where the yard has none or goods may not mix."""
    problem = problem_of(in_order(request, numbered(request, [stop for route in routes for stop in route])))
    loads = [tuple(group.count if group.stop in route else 0 for group in problem.groups) for route in routes]
    if not all(problem.is_mixable(load) for load in loads):
        return None
    if problem.deck.is_choice:
        return staff(problem, QuickLoader(problem.deck, seed=seed), loads)
    available = request.available
    return [0] * len(routes) if available is None or len(routes) <= available else None


def _arranged(
    request: LoadRequest, roads: Roads, decks: Decks, seed: int
) -> tuple[LoadRequest, tuple[VehiclePlan, ...]] | None:
    """
    Return vehicles each in the best order its deck can be loaded in, and the request so numbered.

    Trucks that share stops serve them in one order: a stop has one number. None where a deck fails.
    """
    seqs = {stop.id: stop.seq for stop in request.stops}
    before: set[tuple[str, str]] = set()
    stood: list[tuple[list[Placement], int]] = []
    for pallets, truck in decks:
        found = _best_deck(request, roads, pallets, truck, before, seed)
        if found is None:
            return None
        order, placements = found
        stood.append((placements, truck))
        before |= set(pairwise(order))
    numbered = in_order(request, in_line(seqs, before))
    vehicles = [vehicle_plan(numbered, placements, truck=truck) for placements, truck in stood]
    line = {stop.id: stop.seq for stop in numbered.stops}
    return numbered, tuple(sorted(vehicles, key=lambda one: [line[stop] for stop in one.stops]))


def _best_deck(
    request: LoadRequest,
    roads: Roads,
    pallets: Sequence[str],
    truck: int,
    before: set[tuple[str, str]],
    seed: int,
) -> tuple[list[str], list[Placement]] | None:
    """Return the best order of a truck's stops that has a legal deck, and the deck."""
    carried = set(pallets)
    own = replace(
        request, pallets=tuple(pallet for pallet in request.pallets if pallet.id in carried), roads=None
    )
    stops = {pallet.stop for pallet in own.pallets}
    way = roads.part(stops)
    ids = [call.id for call in way.calls]
    fixed = [(a, b) for a, b in closed(before) if a in stops and b in stops]
    pairs = [(ids.index(a), ids.index(b)) for a, b in fixed]
    given = sorted(stops, key=lambda stop: next(one.seq for one in request.stops if one.id == stop))
    for order in _orders(way, pairs, [ids.index(stop) for stop in given]):
        names = [ids[k] for k in order]
        problem = problem_of(in_order(own, numbered(own, names)))
        placements = _stood(problem, truck, seed)
        if placements is not None:
            return names, placements
    return None


def _stood(problem: Problem, truck: int, seed: int) -> list[Placement] | None:
    try:
        loader = QuickLoader(problem.deck, seed=seed)
        return stand(problem, loader, problem.demand, [group.pallets for group in problem.groups], truck)
    except Undecided:
        return None


def _orders(way: Roads, before: Sequence[Pair], given: Sequence[int]) -> Iterator[Order]:
    """Yield orders to try, better ones first; the last is the one at hand."""
    try:
        # The best alone is found sooner than the best of several.
        yield from best_orders(way, before=before)
        yield from islice(best_orders(way, most=_MOST_ORDERS, before=before), 1, None)
    except TooHard:
        found = order_by_library(way)
        if _keeps(found, before):
            yield found
    if _keeps(given, before):
        yield tuple(given)


def _keeps(order: Sequence[int], before: Sequence[Pair]) -> bool:
    return all(order.index(a) < order.index(b) for a, b in before)


def _judged(request: LoadRequest, plan: LoadPlan, vehicles: tuple[VehiclePlan, ...]) -> LoadPlan:
    """Return the plan with other vehicles; only bounds that hold in any order of drops prove anything."""
    problem = problem_of(request)
    least = max(1, vehicles_bound(problem))
    visits, visits_least = sum(len(one.stops) for one in vehicles), sum(stop_bounds(problem).values())
    is_proven = len(vehicles) == least and visits == visits_least
    return replace(
        plan,
        status="optimal" if is_proven else "feasible",
        lower_bound=least,
        vehicles=vehicles,
        visits=visits,
        visits_bound=visits_least,
        reasons=doubts(request, len(vehicles), least, visits, visits_least) + idle_stops(request),
    )
