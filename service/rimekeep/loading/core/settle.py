"""Which of a row's pallets stand on which place, two halves to one and pallets on top of each other."""

from collections.abc import Mapping, Sequence
from functools import cache

from rimekeep.loading.core.deck import DeckGroup, can_bear, is_half
from rimekeep.loading.core.vehicle import Row, Truck


def settled(
    truck: Truck,
    row: Row,
    standing: Sequence[DeckGroup],
    there: Mapping[int, Sequence[DeckGroup]] | None = None,
) -> list[tuple[int, int, int]]:
    """
    Return (index, lane, tier) of a row's pallets, lanes filled in the order given; tier 1 is on top.

    Pallets of one lane follow each other: the lower one first, or both halves of a place. Those ``there``
    keep their lanes; others join them, beside a half or on top.
    """
    kept = there or {}
    free = [lane for lane in range(row.lanes) if lane not in kept]
    single = {lane: own[0] for lane, own in sorted(kept.items()) if len(own) == 1}
    open_ = [lane for lane, own in single.items() if is_half(truck, row, own.form)]
    # Pallets that stay and may bear one more, by numbers no other has.
    stays = {-1 - lane: own for lane, own in single.items() if lane not in open_}
    halves = [k for k, group in enumerate(standing) if is_half(truck, row, group.form)]
    whole = [k for k in range(len(standing)) if k not in halves]
    joined, halves = halves[: len(open_)], halves[len(open_) :]
    form = {**dict(enumerate(standing)), **stays}
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
                if top >= 0 and can_bear(truck, row, form[base], form[top]):
                    others = tuple(k for k in rest if k != other)
                    found = ((base, top), *pairs(others))
                    best = max(best, found, key=len)
        return best

    # No more stacks than it takes, the lightest on top first: a stack is harder to secure than a pallet.
    excess = len(whole) + -(-len(halves) // 2) - len(free)
    most = (*stays, *whole)
    stacked = sorted(pairs(most), key=lambda pair: standing[pair[1]].mass_kg) if excess > 0 else []
    above = dict(stacked[: max(excess, 0)])
    uppers = set(above.values())
    for k in range(len(standing)):
        if k in above:
            columns.append((k, above[k]))
        elif k in halves:
            if halves.index(k) % 2 == 0:
                columns.append(tuple(halves[halves.index(k) : halves.index(k) + 2]))
        elif k not in uppers and k not in joined:
            columns.append((k,))
    if len(columns) > len(free):
        raise AssertionError("a row was accepted that its places do not hold")
    return [
        *((k, lane, 0) for k, lane in zip(joined, open_, strict=False)),
        *((top, -1 - base, 1) for base, top in above.items() if base < 0),
        *((k, lane, int(k in uppers)) for lane, column in zip(free, columns, strict=False) for k in column),
    ]
