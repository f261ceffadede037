"""
A tour where aisles are walked one way only: odd ones away from the dock's cross aisle, even ones towards it.

A stretch of an aisle between two cross aisles is then walked whole or not at all, so the tour is an order of
the stretches that hold picks, joined by shortest ways. Heuristic, not exact: each stretch is put where it
adds least (cheapest insertion, farthest stretch first), then runs of up to three are moved while that
shortens the tour (or-opt). Cross aisles are walked both ways.
"""

from bisect import bisect_left
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from rimekeep.picking.core.walk.layout import Layout, Place

LONGEST_RUN = 3


def one_way_walk(layout: Layout, places: list[Place]) -> tuple[float, list[Place]]:
    """Return the length [m] of a good closed tour from the dock through sorted places, and its stops."""
    bounds = layout.bounds
    crosses = len(bounds)
    ways = _ways(layout)
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
    order = _improved(between, _inserted(between))
    length_m = sum(between[one][other] for one, other in pairwise([0, *order, 0]))
    length_m += sum(layout.depth_m(block) for _, block in stretches)
    stops: list[Place] = []
    for number in order:
        stretch = stretches[number - 1]
        stops += picks[stretch] if stretch[0] % 2 else reversed(picks[stretch])
    return length_m, stops


def _inserted(between: list[list[float]]) -> list[int]:
    """Return a tour from 0 through all others, each put where it adds least."""
    tour = [0, 0]
    for one in sorted(range(1, len(between)), key=lambda number: (-between[0][number], number)):
        added = [
            between[before][one] + between[one][after] - between[before][after]
            for before, after in pairwise(tour)
        ]
        tour.insert(added.index(min(added)) + 1, one)
    return tour[1:-1]


def _improved(between: list[list[float]], tour: list[int]) -> list[int]:
    """Move runs of stretches to where they add less, until none is left that does."""
    is_better = True
    while is_better:
        is_better = False
        for run in range(1, min(LONGEST_RUN, len(tour)) + 1):
            for start in range(len(tour) - run + 1):
                ends = [0, *tour, 0]
                first, last = tour[start], tour[start + run - 1]
                before, after = ends[start], ends[start + run + 1]
                saved = between[before][first] + between[last][after] - between[before][after]
                rest = [0, *tour[:start], *tour[start + run :], 0]
                added, at = min(
                    (between[one][first] + between[last][other] - between[one][other], place)
                    for place, (one, other) in enumerate(pairwise(rest))
                )
                if added < saved - 1e-9:
                    moved = tour[start : start + run]
                    tour = [*rest[1 : at + 1], *moved, *rest[at + 1 : -1]]
                    is_better = True
    return tour


def _ways(layout: Layout) -> NDArray[np.float64]:
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
