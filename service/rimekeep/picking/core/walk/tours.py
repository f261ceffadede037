"""
Good orders of places by the ways between them, which need not be the same there and back.

``between[i][j]`` is the way from i to j; a tour begins and ends at 0. Where it ends elsewhere than it begins,
the column of 0 holds the ways to the end.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

LONGEST_RUN = 3
Ways = list[list[float]]


def length_m(between: Ways, tour: Sequence[int]) -> float:
    """Return the length of a tour. [m]"""
    return sum(between[one][other] for one, other in pairwise([0, *tour, 0]))


def inserted(between: Ways, tour: Sequence[int] = ()) -> list[int]:
    """Return ``tour`` with all others in it, the farthest first, each put where it adds least."""
    found = [0, *tour, 0]
    kept = set(tour)
    for one in sorted(range(1, len(between)), key=lambda number: (-between[0][number], number)):
        if one in kept:
            continue
        added = [
            between[before][one] + between[one][after] - between[before][after]
            for before, after in pairwise(found)
        ]
        found.insert(added.index(min(added)) + 1, one)
    return found[1:-1]


def improved(between: Ways, tour: Sequence[int]) -> list[int]:
    """Move runs of places to where they add less, until none is left that does (or-opt)."""
    tour, is_better = list(tour), True
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


def shortest(between: Ways) -> list[int]:
    """
    Return the shortest tour through all places, by dynamic program over sets of them.

    M. Held and R. M. Karp, "A dynamic programming approach to sequencing problems", Journal of the Society
    for Industrial and Applied Mathematics 10, 1962 (from memory). Time and memory double with each place.
    """
    count = len(between) - 1
    if not count:
        return []
    ways: NDArray[np.float64] = np.array(between)
    inner, sets = ways[1:, 1:], np.arange(1 << count)
    sizes = np.array([int(one).bit_count() for one in sets])
    # The least way from the start through a set of places, by the one that comes last.
    least = np.full((1 << count, count), np.inf)
    for place in range(count):
        least[1 << place, place] = ways[0, place + 1]
    for size in range(1, count):
        those = sets[sizes == size]
        for place in range(count):
            some = those[(those >> place) & 1 == 0]
            least[some | 1 << place, place] = (least[some] + inner[:, place]).min(axis=1)
    here = (1 << count) - 1
    tour = [int(np.argmin(least[here] + ways[1:, 0]))]
    while len(tour) < count:
        here ^= 1 << tour[-1]
        tour.append(int(np.argmin(least[here] + inner[:, tour[-1]])))
    return [place + 1 for place in reversed(tour)]
