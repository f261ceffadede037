"""Why a line stays short: what keeps the missing cases from it."""

from collections.abc import Sequence
from functools import partial

import numpy as np

from rimekeep.picking.core.allocation.records import Key, Reason, Short
from rimekeep.picking.core.allocation.remedies import remedies
from rimekeep.picking.core.allocation.rules import Cases, ProductWave, Taken

# Among causes of equal weight the one named first can be mended most easily.
_RANK = {reason: rank for rank, reason in enumerate(Reason)}


def shorts(wave: ProductWave, taken: Taken, missing: Sequence[int]) -> dict[Key, Short]:
    """Return why every line that is not served in full misses what it does; ``missing`` by line. [cases]"""
    positions = [position for position, cases in enumerate(missing) if cases]
    blocked = _blocked(wave, taken, positions)
    result = {}
    for row, position in enumerate(positions):
        want = missing[position]
        causes = [(reason, min(want, int(cases[row]))) for reason, cases in blocked if cases[row]]
        unexplained = want - sum(cases for _, cases in causes)
        if unexplained > 0:
            causes.append((Reason.NO_STOCK, unexplained))
        causes.sort(key=lambda cause: (-cause[1], _RANK[cause[0]]))
        result[wave.lines[position].id] = Short(
            want, causes[0][0], tuple(causes), partial(remedies, wave, taken, position)
        )
    return result


def _blocked(wave: ProductWave, taken: Taken, positions: list[int]) -> list[tuple[Reason, Cases]]:
    """Return the cases each cause keeps from each line at ``positions``; arrays of shape (positions,)."""
    stock = np.array([lot.cases for lot in wave.lots], np.int64)
    own = np.zeros((len(positions), len(stock)), np.int64)
    for row, position in enumerate(positions):
        for lot, cases in taken[position].items():
            own[row, lot] = cases
    so_far = [0] * len(stock)
    for lots in taken:
        for lot, cases in lots.items():
            so_far[lot] += cases
    used = np.array(so_far, np.int64)
    unused = stock - used

    # A lot that breaks several rules counts under the first.
    broken = wave.broken(positions)
    first = np.full(own.shape, len(broken))
    for rank, (_, flags) in reversed(list(enumerate(broken))):
        first[flags] = rank
    open_pairs = first == len(broken)
    rows, ranks = len(positions), len(broken) + 1
    cell = first + ranks * np.arange(rows)[:, None]
    kept = np.bincount(cell.ravel(), np.broadcast_to(stock, own.shape).ravel(), rows * ranks)
    kept = kept.astype(np.int64).reshape(rows, ranks)
    found = [(reason, kept[:, rank]) for rank, (reason, _) in enumerate(broken)]
    by_others = (open_pairs * (used - own)).sum(axis=1)
    lying = open_pairs @ unused
    capped = np.zeros(len(positions), np.int64)
    for row, position in enumerate(positions):
        cap = wave.caps[position]
        if cap is not None and len(wave.new_lots(position, taken[position])) >= cap:
            own_lots = wave.had[position] | {wave.labels[lot] for lot in taken[position]}
            # At its cap, a line is kept even from lots that only lower priorities use.
            lower = sum(
                cases
                for line, lots in zip(wave.lines, taken, strict=True)
                if line.priority < wave.lines[position].priority
                for lot, cases in lots.items()
                if open_pairs[row, lot] and wave.labels[lot] not in own_lots
            )
            capped[row] = lying[row] + lower
            by_others[row] -= lower
            lying[row] = 0
    found += [(Reason.LOT_CAP, capped), (Reason.TAKEN, by_others)]
    # Eligible, uncapped and still lying there: only the order of this customer's deliveries forbids it.
    late = next(index for index, (reason, _) in enumerate(found) if reason is Reason.OLDER_THAN_LAST)
    found[late] = (Reason.OLDER_THAN_LAST, found[late][1] + lying)
    return found
