"""
In which order the stops of a list are worked: walking order against stacking order.

The rule: a shortest walk may be gone either way round at the same length, and the way is taken on which fewer
cases must be set aside because something belongs under them. Where that is still much lifting, the stops
for the lower halves of the pallets are walked first and the others after them, if the longer way costs less
than the lifting. One case set aside counts as four metres of walking (own convention, no source).
"""

from collections.abc import Callable, Mapping, Sequence

from rimekeep.picking.core.pallets.records import Pallet

SET_ASIDE_M = 4.0


def set_aside(pallets: Sequence[Pallet], order: Sequence[int]) -> int:
    """Return how many cases are lifted off and put back when parts come in an order."""
    place = {part_id: number for number, part_id in enumerate(order)}
    total = 0
    for pallet in pallets:
        pieces = [
            (place[part.id], tier, cases)
            for tier, level in enumerate(pallet.tiers)
            for part, cases in level.pieces
            if part.id in place
        ]
        for come, tier, _ in pieces:
            # Lifted once for a part, however many of its cases go below.
            if all(other_tier >= tier for other, other_tier, _ in pieces if other == come):
                total += sum(count for other, above, count in pieces if other < come and above > tier)
    return total


def work_order(
    pallets: Sequence[Pallet],
    walked: Sequence[int],
    *,
    walk_again: Callable[[Sequence[int]], tuple[float, Sequence[int]]],
    length_m: float,
) -> tuple[float, list[int], int]:
    """
    Return the walk's length [m], the parts in order of work, and how many cases are set aside.

    Parameters
    ----------
    pallets
        Those built on the list; parts that stand on none are whole units and come when they come.
    walked
        Part ids along a shortest walk of ``length_m``.
    walk_again
        Gives the shortest walk through some of the parts.

    Examples
    --------
    >>> from rimekeep.picking.core.pallets.records import Goods, Part, Tier
    >>> lager = Goods(1, False, "800x1200", 10.0, 8, 5)
    >>> pallet = Pallet((Tier(((Part(1, lager, 8), 8),)), Tier(((Part(2, lager, 8), 8),))))
    >>> work_order([pallet], [2, 1], walk_again=lambda some: (20.0, some), length_m=20.0)
    (20.0, [1, 2], 0)
    """
    tries: list[tuple[float, list[int]]] = [(length_m, list(walked)), (length_m, list(reversed(walked)))]
    lower: Mapping[int, bool] = {
        part_id: 2 * tier <= len(pallet.tiers) + 1
        for pallet in pallets
        for part_id, tier in pallet.lowest_tier.items()
    }
    first = [one for one in walked if lower.get(one, True)]
    if 0 < len(first) < len(walked) and min(set_aside(pallets, order) for _, order in tries):
        one_m, one = walk_again(first)
        kept = set(first)
        other_m, other = walk_again([part for part in walked if part not in kept])
        tries += [
            (one_m + other_m, [*start, *end])
            for start in (list(one), list(reversed(one)))
            for end in (list(other), list(reversed(other)))
        ]
    counted = [(metres, order, set_aside(pallets, order)) for metres, order in tries]
    return min(counted, key=lambda one: (one[0] + SET_ASIDE_M * one[2], one[0]))
