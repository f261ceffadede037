"""Which of a row's pallets stand on which place, two halves to one and pallets on top of each other."""

from collections.abc import Sequence
from functools import cache

from rimekeep.loading.core.deck import DeckGroup, can_bear, is_half
from rimekeep.loading.core.vehicle import Row, Truck


def settled(truck: Truck, row: Row, standing: Sequence[DeckGroup]) -> list[tuple[int, int, int]]:
    """
    Return (index, lane, tier) of a row's pallets, lanes filled in the order given; tier 1 is on top.

    Pallets of one lane follow each other: the lower one first, or both halves of a place.
    """
    halves = [k for k, group in enumerate(standing) if is_half(truck, row, group.form)]
    whole = [k for k in range(len(standing)) if k not in halves]
    most = tuple(whole)
    columns: list[tuple[int, ...]] = []

    @cache
    def pairs(left: tuple[int, ...]) -> tuple[tuple[int, int], ...]:
        """Return the most pairs of lower and upper pallet among these."""
        if len(left) < 2:
            return ()
        first, rest = left[0], left[1:]
        best = pairs(rest)
        for other in rest:
            for base, top in ((first, other), (other, first)):
                if can_bear(truck, row, standing[base], standing[top]):
                    others = tuple(k for k in rest if k != other)
                    found = ((base, top), *pairs(others))
                    best = max(best, found, key=len)
        return best

    # No more stacks than it takes, the lightest on top first: a stack is harder to secure than a pallet.
    excess = len(whole) + -(-len(halves) // 2) - row.lanes
    stacked = sorted(pairs(most), key=lambda pair: standing[pair[1]].mass_kg) if excess > 0 else []
    above = dict(stacked[: max(excess, 0)])
    for k in range(len(standing)):
        if k in above:
            columns.append((k, above[k]))
        elif k in halves:
            if halves.index(k) % 2 == 0:
                columns.append(tuple(halves[halves.index(k) : halves.index(k) + 2]))
        elif k not in above.values():
            columns.append((k,))
    if len(columns) > row.lanes:
        raise AssertionError("a row was accepted that its places do not hold")
    uppers = set(above.values())
    return [(k, lane, int(k in uppers)) for lane, column in enumerate(columns) for k in column]
