"""A good first answer under lot caps and sequences of deliveries, and a ceiling on any answer."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

from rimekeep.picking.core.allocation.rules import Cases, ProductWave, Taken
from rimekeep.picking.core.allocation.sequence import window

Shares = list[dict[int, float]]
"""Per line: cases by position of the lot, fractions allowed."""


def ceiling(wave: ProductWave, down_to: int) -> tuple[int, Shares]:
    """
    Return how many cases the lines of priority ``down_to`` and above can get at most, and how.

    Linear relaxation of the lot caps: a line that takes x of the u cases a lot could give it uses up x/u of
    a lot, and nothing where it has the lot from before. The cases by line and lot may be fractions.
    """
    line, lot = np.nonzero(wave.usable & (np.array(wave.free) > 0))
    demand = np.array([one.cases if one.priority >= down_to else 0 for one in wave.lines])
    most = np.minimum(demand[line], np.array(wave.free)[lot])
    line, lot, most = line[most > 0], lot[most > 0], most[most > 0]
    if not len(most):
        return 0, [{} for _ in wave.lines]
    pairs, line_count, lot_count = np.arange(len(most)), len(wave.lines), len(wave.lots)
    caps = np.array([lot_count if cap is None else cap for cap in wave.caps])
    rows = np.concatenate([line, line_count + lot, line_count + lot_count + line])
    share = np.concatenate([np.ones(2 * len(most)), _shares_of_a_lot(wave, line, lot, demand)])
    limits = np.concatenate([demand, wave.free, caps])
    table = coo_array((share, (rows, np.tile(pairs, 3))), shape=(len(limits), len(most)))
    result = linprog(  # type: ignore[call-overload]  # the stubs know no sparse tables
        -np.ones(len(most)), A_ub=table.tocsr(), b_ub=limits, bounds=(0, None), method="highs"
    )
    if result.status != 0:  # zero is feasible and the demand bounds it
        raise ArithmeticError(f"the linear program ended with status {result.status}")
    shares: Shares = [{} for _ in wave.lines]
    for pair in np.flatnonzero(result.x > 1e-6):
        shares[line[pair]][int(lot[pair])] = float(result.x[pair]) + 1e-6  # so that rounding down is honest
    return int(np.floor(-result.fun + 1e-6)), shares


def _shares_of_a_lot(wave: ProductWave, line: Cases, lot: Cases, demand: Cases) -> NDArray[np.float64]:
    """Return how much of a new lot one case of each (line, lot) uses up."""
    label = np.array(wave.labels)[lot]
    whole = np.zeros((len(wave.lines), max(wave.labels) + 1))
    np.add.at(whole, (line, label), np.array(wave.free)[lot])
    is_new = [one not in wave.had[place] for place, one in zip(line.tolist(), label.tolist(), strict=True)]
    return np.asarray(np.array(is_new) / np.minimum(whole[line, label], demand[line]), np.float64)


def rating(wave: ProductWave, taken: Taken) -> tuple[list[int], int]:
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
    tries = [filled(wave, nothing, order) for order in orders]
    tries += [filled(wave, _rounded(wave, shares), order) for order in orders]
    return max(tries, key=lambda taken: rating(wave, taken))


def _rounded(wave: ProductWave, shares: Shares) -> Taken:
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
    chosen = labels[:room]
    for label in labels[room:]:
        if not chosen or sum(holds[one] for one in chosen) >= missing:
            break
        smallest = min(chosen, key=lambda one: (holds[one], -one))
        if holds[label] > holds[smallest]:
            chosen.remove(smallest)
            chosen.append(label)
    return set(chosen)


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
