"""
Order what is left of a list again, when stops were added to it or lead elsewhere.

Three orders are weighed by way and lifting, as when lists are made: the rest of the walk anew; the old order
with the new stops put where they add least; the old order with the new stops at its end. One case set aside
counts as `SET_ASIDE_M` of walking. Of the units in a deep bay the one in front is taken first, whatever it
costs: the others cannot be reached before.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rimekeep.picking.core.pallets.sequence import SET_ASIDE_M
from rimekeep.picking.core.walk import Layout, Place, rest_of_walk
from rimekeep.picking.core.walk.rest import ways_between
from rimekeep.picking.core.walk.tours import inserted, length_m


@dataclass(frozen=True, slots=True)
class Left:
    """
    A stop that is still to be done.

    ``bay`` and ``in_front`` tell the bay it is in and how many units stand in front of it there; ``pallet``
    and ``tier`` onto which pallet its cases go and how high, where they go onto one.
    """

    pick: int
    place: Place | None
    cases: int
    bay: int | None = None
    in_front: int = 0
    pallet: int | None = None
    tier: int | None = None
    is_new: bool = False


def front_first(order: Sequence[int], lanes: Mapping[int, tuple[int, int]]) -> list[int]:
    """
    Return the order with those of each deep bay in the places they have among them, front first.

    Parameters
    ----------
    order
        Keys in order of work.
    lanes
        Bay and units in front, by key.

    Examples
    --------
    >>> front_first([7, 8, 9], {7: (1, 1), 9: (1, 0)})
    [9, 8, 7]
    """
    members: dict[int, list[int]] = defaultdict(list)
    for one in order:
        if one in lanes:
            members[lanes[one][0]].append(one)
    queues = {bay: iter(sorted(some, key=lambda one: lanes[one][1])) for bay, some in members.items()}
    return [next(queues[lanes[one][0]]) if one in lanes else one for one in order]


def ordered_again(
    layout: Layout | None, start: Place | None, left: Sequence[Left], lying: Mapping[int, Mapping[int, int]]
) -> tuple[float, list[int]]:
    """
    Return the way through all stops to the dock [m], and the stops' keys in order of work.

    Parameters
    ----------
    layout
        The zone's aisles; None: not known, and the way is 0.
    start
        Where the picker stands; None: at the dock.
    left
        The stops in the order as it was, new ones at the end.
    lying
        Cases that lie on each pallet already, by pallet and tier.
    """
    lanes = {one.pick: (one.bay, one.in_front) for one in left if one.bay is not None}
    by_key = {one.pick: one for one in left}
    if layout is None:
        return 0.0, front_first([one.pick for one in left], lanes)
    best: tuple[float, float, list[int]] | None = None
    for places in _tries(layout, start, left):
        rank = {place: number for number, place in enumerate(places)}
        order = [one.pick for one in left]
        order.sort(key=lambda key: len(rank) if (at := by_key[key].place) is None else rank[at])
        order = front_first(order, lanes)
        found = _costs(layout, start, [by_key[key] for key in order], lying)
        if best is None or found < best[:2]:
            best = *found, order
    order = front_first([one.pick for one in left], lanes)
    found = _costs(layout, start, [by_key[key] for key in order], lying)
    if best is None or found < best[:2]:
        best = *found, order
    return best[1], best[2]


def _tries(layout: Layout, start: Place | None, left: Sequence[Left]) -> list[list[Place]]:
    places = list(dict.fromkeys(one.place for one in left if one.place is not None))
    if not places:
        return []
    old = {one.place for one in left if not one.is_new}
    between = ways_between(layout, start, places)
    kept = [number for number, place in enumerate(places, 1) if place in old]
    return [
        rest_of_walk(layout, start, places)[1],
        [places[number - 1] for number in inserted(between, kept)],
    ]


def _costs(
    layout: Layout, start: Place | None, order: Sequence[Left], lying: Mapping[int, Mapping[int, int]]
) -> tuple[float, float]:
    """Return what an order costs and its way alone. [m]"""
    walked = [one.place for one in order if one.place is not None]
    numbers = {place: number for number, place in enumerate(dict.fromkeys(walked), 1)}
    between = ways_between(layout, start, list(numbers))
    way_m = length_m(between, [numbers[place] for place in walked])
    return way_m + SET_ASIDE_M * _set_aside(order, lying), way_m


def _set_aside(order: Sequence[Left], lying: Mapping[int, Mapping[int, int]]) -> int:
    """Return the cases lifted off and put back, each part by its lowest tier."""
    on: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for pallet, tiers in lying.items():
        on[pallet].update(tiers)
    lifted = 0
    for one in order:
        if one.pallet is not None and one.tier is not None:
            lifted += sum(cases for tier, cases in on[one.pallet].items() if tier > one.tier)
            on[one.pallet][one.tier] += one.cases
    return lifted
