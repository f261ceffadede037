"""One aisle within one block: the ways to serve its picks and what they cost."""

from bisect import bisect_left
from dataclasses import dataclass

from rimekeep.picking.core.walk.layout import Layout, Place

NOT, ONCE, TWICE, FROM_FRONT, FROM_BACK, FROM_BOTH = range(6)
WAYS = 6


@dataclass(frozen=True, slots=True)
class Stretch:
    """Slots of a stretch's picks from the block's front, and the length of every way to serve them."""

    slots: tuple[int, ...]
    lengths: tuple[tuple[int, float], ...]
    gap: int  # FROM_BOTH leaves out the way behind this many picks


def stretches(layout: Layout, places: list[Place]) -> list[list[Stretch]]:
    """Return the stretches of every aisle up to the last one with a pick, front block first."""
    slots: dict[tuple[int, int], list[int]] = {}
    bounds = layout.bounds
    for aisle, slot in places:
        block = bisect_left(bounds, slot) - 1
        slots.setdefault((aisle, block), []).append(slot - bounds[block])
    depths = [layout.depth_m(block) for block in range(len(bounds) - 1)]
    return [
        [_stretch(layout, depth, slots.get((aisle, block), [])) for block, depth in enumerate(depths)]
        for aisle in range(1, places[-1][0] + 1)
    ]


def _stretch(layout: Layout, depth: float, slots: list[int]) -> Stretch:
    lengths = [(ONCE, depth), (TWICE, 2 * depth)]
    gap = 0
    if slots:
        reach = [layout.reach_m(slot) for slot in slots]
        lengths += [(FROM_FRONT, 2 * reach[-1]), (FROM_BACK, 2 * (depth - reach[0]))]
        if len(slots) > 1:
            gap = max(range(1, len(slots)), key=lambda place: reach[place] - reach[place - 1])
            lengths.append((FROM_BOTH, 2 * (depth - reach[gap] + reach[gap - 1])))
    else:
        lengths.append((NOT, 0.0))
    return Stretch(tuple(slots), tuple(lengths), gap)
