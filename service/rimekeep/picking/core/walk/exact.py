"""
The shortest walk of a picker through parallel aisles with any number of cross aisles.

Exact dynamic program from aisle to aisle over the state of the cross-aisle ends: even, odd or untouched, and
which of them hang together. One block: H. D. Ratliff and A. S. Rosenthal, "Order-picking in a rectangular
warehouse: a solvable case of the traveling salesman problem", Operations Research 31, 1983; with a middle
cross aisle: K. J. Roodbergen and R. de Koster, "Routing order pickers in a warehouse with a middle aisle",
European Journal of Operational Research 133, 2001.
"""

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rimekeep.picking.core.walk.layout import Layout, Pick, Place, Walk, lift_m, places_of
from rimekeep.picking.core.walk.one_way import one_way_walk
from rimekeep.picking.core.walk.states import Machine, Moves, machine
from rimekeep.picking.core.walk.stretches import (
    FROM_BACK,
    FROM_BOTH,
    FROM_FRONT,
    ONCE,
    TWICE,
    WAYS,
    Stretch,
    stretches,
)

Node = tuple[int, int, int]  # (aisle, cross aisle, 0) or (aisle, block, slot)
Costs = NDArray[np.float64]


def shortest_walk(layout: Layout, picks: Iterable[Pick]) -> Walk:
    """
    Return a shortest closed tour through all picks.

    Parameters
    ----------
    layout
        The store. The dock is the front end of aisle 1; both sides of an aisle are served from its centre
        line.
    picks
        (aisle, slot) or (aisle, slot, level) of each; a repeated place counts once.

    Returns
    -------
    Walk
        Proven shortest. Walking the stops in order, each leg by its shortest way, has exactly ``length_m``.
        Where aisles are one-way: a good tour, not a proven one (see `one_way_walk`).

    Raises
    ------
    PickOutsideLayout
        An aisle or slot is not in the layout.

    Notes
    -----
    Time grows linearly with aisles and picks; with the number of cross aisles it grows about fivefold each.

    Examples
    --------
    >>> layout = Layout(2, 10, slot_pitch_m=1.4, aisle_pitch_m=4, cross_aisle_offset_m=1)
    >>> round(shortest_walk(layout, [(2, 4), (2, 2), (1, 6)]).length_m, 3)
    37.2
    """
    given = list(picks)
    places = places_of(layout, given)
    if not places:
        return Walk(0.0, [])
    if layout.is_one_way:
        length_m, stops = one_way_walk(layout, places)
        return Walk(length_m, stops, lift_m(layout, given), is_proven=False)
    aisles = stretches(layout, places)
    graph = machine(len(layout.bounds))
    costs, steps = _forward(layout, graph, aisles)
    end = _best_end(graph, costs[-1])
    ways = _back(costs, steps, end)
    return Walk(float(costs[-1][end]), _stops(_edges(layout, graph, aisles, ways)), lift_m(layout, given))


def walk_length_m(layout: Layout, picks: Iterable[Pick]) -> float:
    """Return the length of `shortest_walk` alone, which takes half the time. [m]"""
    places = places_of(layout, picks)
    if not places:
        return 0.0
    if layout.is_one_way:
        return one_way_walk(layout, places)[0]
    graph = machine(len(layout.bounds))
    costs, _ = _forward(layout, graph, stretches(layout, places))
    return float(costs[-1][_best_end(graph, costs[-1])])


def _forward(
    layout: Layout, graph: Machine, aisles: list[list[Stretch]]
) -> tuple[list[Costs], list[tuple[Moves, Costs]]]:
    """Return the least length of every state after each step, and each step with what its ways cost."""
    now = np.full(graph.count, np.inf)
    now[graph.first] = 0.0
    costs, steps = [now], []
    cross_m = graph.total_times * layout.aisle_pitch_m
    for number, aisle in enumerate(aisles, start=1):
        parts: list[tuple[Moves, Costs]] = []
        for moves, stretch in zip(graph.through, aisle, strict=True):
            way_m = np.full(WAYS, np.inf)
            for way, length_m in stretch.lengths:
                way_m[way] = length_m
            parts.append((moves, way_m))
        if number < len(aisles):
            parts.append((graph.across, cross_m))
        for moves, way_m in parts:
            after = np.full(graph.count, np.inf)
            after[moves.reached] = np.minimum.reduceat(now[moves.source] + way_m[moves.what], moves.starts)
            costs.append(after)
            now = after
        steps += parts
    return costs, steps


def _best_end(graph: Machine, costs: Costs) -> int:
    return int(np.argmin(np.where(graph.is_end, costs, np.inf)))


def _back(costs: list[Costs], steps: list[tuple[Moves, Costs]], end: int) -> list[int]:
    """Return the way taken at every step of a shortest walk that ends in a state."""
    ways: list[int] = []
    for before, (moves, way_m) in zip(reversed(costs[:-1]), reversed(steps), strict=True):
        place = int(np.searchsorted(moves.reached, end))
        first = moves.starts[place]
        last = moves.starts[place + 1] if place + 1 < len(moves.starts) else len(moves.source)
        sources, whats = moves.source[first:last], moves.what[first:last]
        best = int(np.argmin(before[sources] + way_m[whats]))
        ways.append(int(whats[best]))
        end = int(sources[best])
    ways.reverse()
    return ways


def _edges(
    layout: Layout, graph: Machine, aisles: list[list[Stretch]], ways: list[int]
) -> list[tuple[Node, Node]]:
    """Return every stretch between neighbouring places, as often as it is walked."""
    edges: list[tuple[Node, Node]] = []

    def chain(nodes: list[Node], times: int) -> None:
        edges.extend(pair for pair in pairwise(nodes) for _ in range(times))

    bounds = layout.bounds
    steps = iter(ways)
    for number, aisle in enumerate(aisles, start=1):
        for block, stretch in enumerate(aisle):
            way = next(steps)
            picks: list[Node] = [(number, block, bounds[block] + slot) for slot in stretch.slots]
            front, back = (number, block, 0), (number, block + 1, 0)
            if way in (ONCE, TWICE):
                chain([front, *picks, back], way)
            elif way == FROM_FRONT:
                chain([front, *picks], 2)
            elif way == FROM_BACK:
                chain([*picks, back], 2)
            elif way == FROM_BOTH:
                chain([front, *picks[: stretch.gap]], 2)
                chain([*picks[stretch.gap :], back], 2)
        if number < len(aisles):
            for cross, times in enumerate(graph.times[next(steps)]):
                chain([(number, cross, 0), (number + 1, cross, 0)], times)
    return edges


def _stops(edges: list[tuple[Node, Node]]) -> list[Place]:
    """Return the picks in the order a closed walk over all edges first meets them (Hierholzer's method)."""
    at: dict[Node, list[int]] = {}
    for number, (one, other) in enumerate(edges):
        at.setdefault(one, []).append(number)
        at.setdefault(other, []).append(number)
    walked = [False] * len(edges)
    path: list[Node] = [(1, 0, 0)]
    tour: list[Node] = []
    while path:
        open_edges = at[path[-1]]
        while open_edges and walked[open_edges[-1]]:
            open_edges.pop()
        if open_edges:
            number = open_edges.pop()
            walked[number] = True
            one, other = edges[number]
            path.append(other if path[-1] == one else one)
        else:
            tour.append(path.pop())
    return list(dict.fromkeys((aisle, slot) for aisle, _, slot in tour if slot))
