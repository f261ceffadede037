"""
Drops in order and shared among trucks by a routing library, and what no order can go below.

The library's search ends after a count of solutions, never by the clock, so that the same input gives the
same answer on any machine. Its answer is good, not proven; the bound says how good.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from ortools.constraint_solver import pywrapcp
from ortools.constraint_solver import routing_enums_pb2 as choices
from scipy.optimize import linear_sum_assignment

from rimekeep.loading.core.drop_order import Order
from rimekeep.loading.core.roads import Roads, run

# Solutions looked at, times places; fewer where each is dear to find.
_SOLUTIONS = 1500
_FEWEST_SOLUTIONS = 20
# A second late weighs as many seconds of driving.
_LATE = 1000
_LONGEST_S = 14 * 86_400


@dataclass(frozen=True, slots=True)
class Piece:
    """What one truck brings to a call in one go."""

    call: int
    pallets: int
    mass_kg: float


@dataclass(frozen=True, slots=True)
class Room:
    """What every truck takes at most; None binds nothing."""

    trucks: int
    pallets: int
    mass_kg: float
    calls: int | None = None


def order_by_library(roads: Roads) -> Order:
    """Return a good order of all calls for one truck."""
    pieces = [Piece(k, 0, 0.0) for k in range(len(roads.calls))]
    found = share_drops(roads, pieces, Room(1, 0, 0.0)) or [list(range(len(pieces)))]
    order = tuple(pieces[p].call for p in found[0])
    # It minds no metres, and may come out behind the order the calls were given in.
    return min((order, tuple(range(len(pieces)))), key=lambda one: run(roads, one).cost)


def share_drops(roads: Roads, pieces: Sequence[Piece], room: Room) -> list[list[int]] | None:
    """
    Return which pieces each truck brings and in which order, near ones together; None when none was found.

    Missed opening times are allowed and dear: a truck that comes late still brings its goods.
    """
    places = [0, *(piece.call + 1 for piece in pieces)]
    index = pywrapcp.RoutingIndexManager(len(places), room.trucks, 0)
    model = pywrapcp.RoutingModel(index)

    def register(of: Callable[[int, int], int]) -> int:
        matrix = [[of(a, b) for b in range(len(places))] for a in range(len(places))]
        return int(model.RegisterTransitMatrix(matrix))

    def leg(a: int, b: int) -> int:
        return roads.leg_s(places[a], places[b])

    def stay(a: int) -> int:
        return roads.calls[places[a] - 1].service_s if a else 0

    model.SetArcCostEvaluatorOfAllVehicles(register(leg))
    _keep_time(model, index, roads, places, register(lambda a, b: leg(a, b) + stay(a)))
    gone = [0, *(piece.pallets for piece in pieces)]
    grams = [0, *(round(piece.mass_kg * 1000) for piece in pieces)]
    loaded = [(gone, room.pallets, "pallets"), (grams, round(room.mass_kg * 1000), "mass")]
    if room.calls is not None:
        loaded.append(([0] + [1] * len(pieces), room.calls, "calls"))
    for amounts, most, name in loaded:
        by_node = model.RegisterUnaryTransitVector(amounts)
        model.AddDimension(by_node, 0, most, True, name)
    asked = pywrapcp.DefaultRoutingSearchParameters()
    asked.first_solution_strategy = choices.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    asked.local_search_metaheuristic = choices.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    asked.solution_limit = max(_FEWEST_SOLUTIONS, _SOLUTIONS // len(places))
    found = model.SolveWithParameters(asked)
    return None if found is None else _routes(model, index, found, room.trucks)


def _keep_time(
    model: pywrapcp.RoutingModel,
    index: pywrapcp.RoutingIndexManager,
    roads: Roads,
    places: Sequence[int],
    transit: int,
) -> None:
    if all(call.open_until_s is None and call.open_from_s <= roads.leaves_s for call in roads.calls):
        return
    model.AddDimension(transit, _LONGEST_S, _LONGEST_S, False, "time")
    time = model.GetDimensionOrDie("time")
    for vehicle in range(model.vehicles()):
        time.CumulVar(model.Start(vehicle)).SetMin(roads.leaves_s)
    for node, place in enumerate(places[1:], start=1):
        call, at = roads.calls[place - 1], index.NodeToIndex(node)
        time.CumulVar(at).SetMin(call.open_from_s)
        if call.open_until_s is not None:
            time.SetCumulVarSoftUpperBound(at, call.open_until_s, _LATE)


def _routes(
    model: pywrapcp.RoutingModel,
    index: pywrapcp.RoutingIndexManager,
    found: pywrapcp.Assignment,
    trucks: int,
) -> list[list[int]]:
    routes = []
    for vehicle in range(trucks):
        route, at = [], found.Value(model.NextVar(model.Start(vehicle)))
        while not model.IsEnd(at):
            route.append(index.IndexToNode(at) - 1)
            at = found.Value(model.NextVar(at))
        routes.append(route)
    return routes


def least_drive_s(roads: Roads) -> int:
    """Return driving no order goes below: every place is left once and reached once (an assignment)."""
    size = len(roads.calls) + 1
    if size == 1:
        return 0
    legs = np.array([[roads.leg_s(a, b) for b in range(size)] for a in range(size)], dtype=float)
    np.fill_diagonal(legs, float(legs.sum()) + 1)
    left, reached = linear_sum_assignment(legs)
    return int(legs[left, reached].sum())
