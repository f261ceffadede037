"""A good first answer under lot caps and sequences of deliveries, line by line."""

from collections.abc import Callable
from heapq import heapify, heapreplace

import numpy as np

from rimekeep.picking.core.allocation.ceiling import Shares
from rimekeep.picking.core.allocation.flow import cheapest_flow
from rimekeep.picking.core.allocation.rules import ProductWave, Taken
from rimekeep.picking.core.allocation.sequence import window

# Of a product with more pairs of line and lot fewer passes are made, which take their time by then.
MANY_PAIRS = 200_000


def rating(wave: ProductWave, taken: Taken) -> tuple[list[int], int]:
    """Return what makes an answer better than another: the cases by class, then early dates."""
    return wave.served_by_class(taken), -wave.cost(taken)


def opening(wave: ProductWave, shares: Shares) -> Taken:
    """Return the best of a few line-by-line passes and of the rounded linear program; every rule is kept."""
    lines = wave.lines
    choices = wave.usable.sum(axis=1).tolist()
    orders: tuple[Callable[[int], tuple[int, ...]], ...] = (
        lambda place: (-lines[place].priority, place),
        lambda place: (-lines[place].priority, -lines[place].cases, place),
        lambda place: (
            -lines[place].priority,
            wave.caps[place] or len(wave.lots),
            -lines[place].cases,
            place,
        ),
        lambda place: (-lines[place].priority, choices[place], wave.caps[place] or len(wave.lots), place),
    )
    nothing: Taken = [{} for _ in lines]
    rounded = whole_cases(wave, shares)
    few = orders[-1:] if wave.usable.size > MANY_PAIRS else orders
    tries = [filled(wave, begun, order) for begun in (nothing, rounded) for order in few]
    return settled(wave, max(tries, key=lambda taken: rating(wave, taken)))


def settled(wave: ProductWave, taken: Taken) -> Taken:
    """
    Return the best that can be done with the lots each line uses, and whatever can be added to it.

    Once every line's lots are chosen, caps and sequences are kept, and what is left to decide is a flow.
    """
    usable = wave.usable.copy()
    labels = np.array(wave.labels)
    for place, lots in enumerate(taken):
        if wave.caps[place] is not None or place in wave.in_sequence:
            chosen = {wave.labels[lot] for lot in lots}
            if place not in wave.in_sequence:
                chosen |= wave.had[place]
            usable[place] &= np.isin(labels, list(chosen))
    again = filled(wave, cheapest_flow(wave.narrowed(usable)))
    return max(taken, again, key=lambda one: rating(wave, one))


def whole_cases(wave: ProductWave, shares: Shares) -> Taken:
    """Return the largest of each line's shares in the linear program, in whole cases."""
    taken: Taken = [{} for _ in wave.lines]
    for place, lots in enumerate(shares):
        low, high = window(wave, taken, place)
        fitting = {lot: cases for lot, cases in lots.items() if low <= wave.printed[lot] <= high}
        by_label: dict[int, float] = {}
        for lot, cases in fitting.items():
            by_label[wave.labels[lot]] = by_label.get(wave.labels[lot], 0) + cases
        ranked = sorted(by_label.keys() - wave.had[place], key=lambda label: (-by_label[label], label))
        chosen = wave.had[place].union(ranked[: wave.caps[place]])
        taken[place] = {
            lot: int(cases) for lot, cases in fitting.items() if wave.labels[lot] in chosen and cases >= 1
        }
    return taken


def _serve(wave: ProductWave, taken: Taken, left: list[int], place: int) -> None:
    """Give the line at ``place`` what it still misses, in as few lots as its cap allows."""
    missing = wave.lines[place].cases - sum(taken[place].values())
    cap = wave.caps[place]
    low, high = window(wave, taken, place)
    fitting = [
        lot
        for lot in np.flatnonzero(wave.usable[place]).tolist()
        if left[lot] and low <= wave.printed[lot] <= high
    ]
    if cap is not None:
        own = wave.had[place] | {wave.labels[lot] for lot in taken[place]}
        room = cap - len(wave.new_lots(place, taken[place]))
        others = [lot for lot in fitting if wave.labels[lot] not in own]
        chosen = own | _fewest(wave, others, left, room, missing)
        fitting = [lot for lot in fitting if wave.labels[lot] in own] + [
            lot for lot in others if wave.labels[lot] in chosen
        ]
    for lot in fitting:
        got = min(missing, left[lot])
        if not got:
            break
        taken[place][lot] = taken[place].get(lot, 0) + got
        left[lot] -= got
        missing -= got


def _fewest(wave: ProductWave, fitting: list[int], left: list[int], room: int, missing: int) -> set[int]:
    """Return at most ``room`` labels: the first that together hold ``missing``, or else the largest."""
    holds: dict[int, int] = {}
    for lot in fitting:
        holds[wave.labels[lot]] = holds.get(wave.labels[lot], 0) + left[lot]
    labels = list(holds)
    chosen = [(holds[label], -label) for label in labels[:room]]
    heapify(chosen)
    held = sum(cases for cases, _ in chosen)
    for label in labels[room:]:
        if not chosen or held >= missing:
            break
        if holds[label] > chosen[0][0]:
            held += holds[label] - heapreplace(chosen, (holds[label], -label))[0]
    return {-label for _, label in chosen}


def filled(wave: ProductWave, taken: Taken, order: Callable[[int], tuple[int, ...]] | None = None) -> Taken:
    """Return ``taken`` with whatever can still be given without moving anything, lines in ``order``."""
    result = [dict(lots) for lots in taken]
    left = wave.free.copy()
    for lots in result:
        for lot, cases in lots.items():
            left[lot] -= cases
    for place in sorted(range(len(result)), key=order):
        _serve(wave, result, left, place)
    return result
