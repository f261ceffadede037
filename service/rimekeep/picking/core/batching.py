"""
Which units are picked on one walk.

Savings method with exact walks: G. Clarke and J. W. Wright, "Scheduling of vehicles from a central depot to a
number of delivery points", Operations Research 12, 1964; for order picking: M. B. M. de Koster, E. S. van der
Poort and M. Wolters, "Efficient orderbatching methods in warehouses", International Journal of Production
Research 37, 1999 (both from memory). Then units are moved and exchanged between walks while that shortens
them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from rimekeep.errors import invalid
from rimekeep.picking.core.sharing import can_list, priced_bound_m
from rimekeep.picking.core.walk.exact import walk_length_m
from rimekeep.picking.core.walk.layout import Layout, Place, places_of
from rimekeep.picking.core.walk.stretches import stretches
from rimekeep.wording import say

# A walk takes half a millisecond with two or three cross aisles: about two seconds of work at most.
MOST_WALKS = 4_000
# More units than this are split beforehand, neighbours together: pairs grow with the square.
MOST_TOGETHER = 60


@dataclass(frozen=True, slots=True)
class Load:
    """One unit to be brought to the dock: a pallet to be built, or one that goes as it is."""

    id: int
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class Batches:
    """
    Ids of the units on each walk, with the walks' total length and a bound no split can go below. [m]

    ``gap`` is the most the walks can be off, not what they are off: the bound may be far from tight, above
    all unless a close one was asked for.
    """

    walks: tuple[tuple[int, ...], ...]
    length_m: float
    bound_m: float

    @property
    def gap(self) -> float:
        """Return by how much at most the walks are longer than the best, as a share of their length."""
        return 1 - self.bound_m / self.length_m if self.length_m else 0.0


class _Walks:
    """Exact walks through sets of units, each worked out once."""

    def __init__(self, layout: Layout, loads: Sequence[Load]) -> None:
        self.layout = layout
        self.places = {load.id: load.places for load in loads}
        self.known: dict[frozenset[int], float] = {frozenset(): 0.0}

    @property
    def is_spent(self) -> bool:
        """Tell whether enough walks have been looked at."""
        return len(self.known) > MOST_WALKS

    def length_m(self, ids: Iterable[int]) -> float:
        """Return the length of the shortest walk through some units. [m]"""
        key = frozenset(ids)
        if key not in self.known:
            self.known[key] = walk_length_m(
                self.layout, [place for one in sorted(key) for place in self.places[one]]
            )
        return self.known[key]


def batch(layout: Layout, loads: Iterable[Load], *, most_units: int, is_bound_close: bool = False) -> Batches:
    """
    Share units among walks of at most ``most_units`` each, with little walking in all.

    Parameters
    ----------
    layout
        The store.
    loads
        Units with the places they are picked from; ids differ.
    most_units
        Units a picker takes along on one walk, >= 1.
    is_bound_close
        Whether to look for a bound that is close, which takes some seconds; the walks are the same.

    Returns
    -------
    Batches
        The same for the same units in any order. Not proven best: ``bound_m`` tells how far off it can be.

    Raises
    ------
    Invalid
        ``most_units`` is below 1, or two units have one id.

    Examples
    --------
    >>> layout = Layout(4, 10, 1.0, 4.0, 1.0)
    >>> loads = [Load(1, ((1, 9),)), Load(2, ((4, 9),)), Load(3, ((1, 8),)), Load(4, ((4, 8),))]
    >>> batch(layout, loads, most_units=2).walks
    ((1, 3), (2, 4))
    """
    if most_units < 1:
        raise invalid(
            "most_units", say("{most_units} units a walk.", most_units=most_units), say("Give 1 or more.")
        )
    ordered = sorted(loads, key=lambda load: (min(load.places, default=(0, 0)), load.id))
    if len({load.id for load in ordered}) < len(ordered):
        raise invalid("loads", say("Two units have one id."), say("Give every unit an id of its own."))
    for load in ordered:
        places_of(layout, load.places)
    walks = _Walks(layout, ordered)
    found: list[list[int]] = []
    for part in _near_together([load.id for load in ordered], most_units):
        found += _improved(walks, _savings(walks, part, most_units), most_units)
    total_m = sum(walks.length_m(ids) for ids in found)
    bound = close_bound_m if is_bound_close else bound_m
    return Batches(
        tuple(sorted(tuple(sorted(ids)) for ids in found)), total_m, bound(layout, ordered, most_units)
    )


def bound_m(layout: Layout, loads: Sequence[Load], most_units: int) -> float:
    """
    Return a length no split into walks of ``most_units`` can go below. [m]

    The greatest of three: one walk through everything; the walks of single units, of which each batch costs
    at least its longest; and the same apart for the way across and the way along the aisles, where every
    aisle's picks must be reached besides.
    """
    if not loads:
        return 0.0
    across = _every(
        most_units,
        [
            2 * (max((aisle for aisle, _ in load.places), default=1) - 1) * layout.aisle_pitch_m
            for load in loads
        ],
    )
    if layout.is_one_way:  # its walks are not proven, so they bound nothing
        return across
    together = walk_length_m(layout, [place for load in loads for place in load.places])
    single = _every(most_units, [walk_length_m(layout, load.places) for load in loads])
    along = max(
        _along_m(layout, [place for load in loads for place in load.places]),
        _every(most_units, [_along_m(layout, load.places) for load in loads]),
    )
    return max(together, single, across + along)


def close_bound_m(layout: Layout, loads: Sequence[Load], most_units: int) -> float:
    """
    Return a length no split into walks goes below, closer than `bound_m` where units are not too many. [m]

    What a unit makes a walk cover: the way across to its farthest aisle and back, and along every aisle in
    every block the shortest way that serves its picks there.
    """
    quick_m = bound_m(layout, loads, most_units)
    if not loads or layout.is_one_way or not can_list(len(loads), most_units):
        return quick_m
    across = [2 * (max((aisle for aisle, _ in one.places), default=1) - 1) for one in loads]
    parts_m = np.zeros((len(loads), 1 + layout.aisles * len(layout.blocks)))
    parts_m[:, 0] = np.array(across) * layout.aisle_pitch_m
    for number, one in enumerate(loads):
        if known := places_of(layout, one.places):
            along = [
                min(length for _, length in stretch.lengths)
                for aisle in stretches(layout, known)
                for stretch in aisle
            ]
            parts_m[number, 1 : 1 + len(along)] = along

    def walk_m(numbers: Sequence[int]) -> float:
        return walk_length_m(layout, [place for number in numbers for place in loads[number].places])

    return max(quick_m, priced_bound_m(parts_m, walk_m, most_units=most_units))


def _every(most_units: int, lengths: Iterable[float]) -> float:
    """Return the least sum of the longest of each batch: the sorted lengths in runs of ``most_units``."""
    return sum(sorted(lengths, reverse=True)[::most_units])


def _along_m(layout: Layout, places: Iterable[Place]) -> float:
    """Return a length along aisles no walk through the places goes below. [m]"""
    known = places_of(layout, places)
    if not known:
        return 0.0
    return sum(
        min(length for _, length in stretch.lengths)
        for aisle in stretches(layout, known)
        for stretch in aisle
    )


def _near_together(ids: list[int], most_units: int) -> list[list[int]]:
    """Return ids, sorted by place, in runs of about equal length that are not too long to look at."""
    if not ids:
        return []
    runs = ceil(len(ids) / MOST_TOGETHER)
    size = ceil(len(ids) / runs / most_units) * most_units
    return [ids[start : start + size] for start in range(0, len(ids), size)]


def _savings(walks: _Walks, ids: list[int], most_units: int) -> list[list[int]]:
    """Join the two walks that save most, again and again, while any two fit together and save anything."""
    groups = [[one] for one in ids]

    def saving(one: list[int], other: list[int]) -> float:
        return walks.length_m(one) + walks.length_m(other) - walks.length_m([*one, *other])

    pairs = {
        (place, later): saving(groups[place], groups[later])
        for place in range(len(groups))
        for later in range(place + 1, len(groups))
        if most_units > 1
    }
    alive = dict(enumerate(groups))
    while pairs:
        (one, other), saved = max(pairs.items(), key=lambda pair: (pair[1], -pair[0][0], -pair[0][1]))
        if saved <= 0:
            break
        joined = [*alive.pop(one), *alive.pop(other)]
        pairs = {pair: known for pair, known in pairs.items() if not {one, other} & set(pair)}
        number = len(groups)
        groups.append(joined)
        for place, group in alive.items():
            if len(group) + len(joined) <= most_units:
                pairs[place, number] = saving(group, joined)
        alive[number] = joined
    return list(alive.values())


def _improved(walks: _Walks, groups: list[list[int]], most_units: int) -> list[list[int]]:
    """Move a unit to another walk, or exchange two, while that shortens the whole."""
    is_better = True
    while is_better and not walks.is_spent:
        is_better = False
        for place, group in enumerate(groups):
            for other_place, other in enumerate(groups):
                if place == other_place:
                    continue
                changed = _better_pair(walks, group, other, most_units)
                if changed is not None:
                    groups[place], groups[other_place] = changed
                    is_better = True
                    break
            if is_better:
                break
        groups = [group for group in groups if group]
    return groups


def _better_pair(
    walks: _Walks, one: list[int], other: list[int], most_units: int
) -> tuple[list[int], list[int]] | None:
    """Return two walks with the same units that are shorter together by one move or exchange, or None."""
    now = walks.length_m(one) + walks.length_m(other)
    tries: list[tuple[list[int], list[int]]] = []
    for moved in one:
        rest = [unit for unit in one if unit != moved]
        if len(other) < most_units:
            tries.append((rest, [*other, moved]))
        tries += [
            ([*rest, back], [*(unit for unit in other if unit != back), moved])
            for back in other
            if moved < back
        ]
    for tried in tries:
        if walks.is_spent:
            return None
        if walks.length_m(tried[0]) + walks.length_m(tried[1]) < now - 1e-9:
            return tried
    return None
