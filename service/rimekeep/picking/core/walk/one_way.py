"""
A tour where aisles are walked one way only: odd ones away from the dock's cross aisle, even ones towards it.

A stretch of an aisle between two cross aisles is then walked whole or not at all, so the tour is an order of
the stretches that hold picks, joined by shortest ways. Heuristic, not exact: each stretch is put where it
adds least (cheapest insertion, farthest stretch first), then runs of up to three are moved while that
shortens the tour (or-opt). Cross aisles are walked both ways.
"""

from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from rimekeep.picking.core.walk.layout import Layout, Place
from rimekeep.picking.core.walk.tours import improved, inserted, length_m


def one_way_walk(layout: Layout, places: list[Place]) -> tuple[float, list[Place]]:
    """Return the length [m] of a good closed tour from the dock through sorted places, and its stops."""
    bounds = layout.bounds
    crosses = len(bounds)
    ways = crossing_ways(layout)
    picks: dict[tuple[int, int], list[Place]] = {}
    for aisle, slot in places:
        picks.setdefault((aisle, bisect_left(bounds, slot) - 1), []).append((aisle, slot))
    stretches = sorted(picks)
    # By stretch, the dock first: the crossing it is entered by, and the one it is left by.
    enters, leaves = [0], [0]
    for aisle, block in stretches:
        low, high = (aisle - 1) * crosses + block, (aisle - 1) * crosses + block + 1
        enters.append(low if aisle % 2 else high)
        leaves.append(high if aisle % 2 else low)
    between: list[list[float]] = ways[np.ix_(leaves, enters)].tolist()
    order = improved(between, inserted(between))
    way_m = length_m(between, order)
    way_m += sum(layout.depth_m(block) for _, block in stretches)
    stops: list[Place] = []
    for number in order:
        stretch = stretches[number - 1]
        stops += picks[stretch] if stretch[0] % 2 else reversed(picks[stretch])
    return way_m, stops


def crossing_ways(layout: Layout) -> NDArray[np.float64]:
    """Return all shortest ways between crossings, numbered aisle by aisle from the front. [m]"""
    crosses = len(layout.bounds)
    edges: list[tuple[int, int, float]] = []
    for aisle in range(layout.aisles):
        for cross in range(crosses):
            node = aisle * crosses + cross
            if cross + 1 < crosses:
                pair = (node, node + 1) if aisle % 2 == 0 else (node + 1, node)
                edges.append((*pair, layout.depth_m(cross)))
            if aisle + 1 < layout.aisles:
                edges.append((node, node + crosses, layout.aisle_pitch_m))
                edges.append((node + crosses, node, layout.aisle_pitch_m))
    one, other, length = (np.array(column) for column in zip(*edges, strict=True))
    size = layout.aisles * crosses
    graph = coo_array((length, (one, other)), shape=(size, size)).tocsr()
    ways: NDArray[np.float64] = dijkstra(graph, directed=True)
    return ways
