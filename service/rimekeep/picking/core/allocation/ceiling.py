"""How many cases lines with lot caps can get at most: the linear relaxation of the caps."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array, csc_array

from rimekeep.picking.core.allocation.rules import Cases, ProductWave

Shares = list[dict[int, float]]
"""Per line: cases by position of the lot, fractions allowed."""
Reals = NDArray[np.float64]

# A linear program of more pairs of line and lot begins with some of them and adds those it lacks.
MOST_PAIRS = 8_000
ROUNDS = 3
NEAR = 0.1
ROUNDING = 1e-9
SLACK = 1e-6


@dataclass(frozen=True, slots=True)
class Ceiling:
    """
    What the relaxation of a product tells.

    ``cases`` are never exceeded. ``shares`` reach about as many, in fractions. ``gain`` says of each pair of
    ``line`` and ``lot`` what a case adds at the prices of the relaxation, never much above 0: pairs of a good
    answer lie close to it.
    """

    cases: int
    shares: Shares
    line: Cases
    lot: Cases
    gain: Reals


def ceiling(wave: ProductWave, down_to: int) -> Ceiling:
    """
    Return how many cases the lines of priority ``down_to`` and above can get at most, and how.

    A line that takes x of the u cases a lot could give it uses up x/u of a lot, and nothing where it has the
    lot from before. The cases by line and lot may be fractions.
    """
    free = np.array(wave.free, np.int64)
    demand = np.array([one.cases if one.priority >= down_to else 0 for one in wave.lines], np.int64)
    line, lot = np.nonzero(wave.usable & (free > 0) & (demand > 0)[:, None])
    shares: Shares = [{} for _ in wave.lines]
    if not len(line):
        return Ceiling(0, shares, line, lot, np.zeros(0))
    caps = np.array([len(free) if cap is None else cap for cap in wave.caps])
    limits = np.concatenate([demand, free, caps])
    part = _shares_of_a_lot(wave, line, lot, demand)
    table = coo_array(
        (
            np.concatenate([np.ones(2 * len(line)), part]),
            (
                np.concatenate([line, len(demand) + lot, len(demand) + len(free) + line]),
                np.tile(np.arange(len(line)), 3),
            ),
        ),
        shape=(len(limits), len(line)),
    ).tocsc()
    cases = np.inf
    following = np.arange(len(line))[:: -(-len(line) // MOST_PAIRS)]
    for _ in range(ROUNDS):
        pairs = following
        taken, prices = _relaxed(table[:, pairs], limits)
        gain = 1 - table.T @ prices
        # Prices at which no pair gains anything bound every answer: raise a line's as far as it must be.
        lacking = np.zeros(len(demand))
        np.maximum.at(lacking, line, gain)
        cases = min(cases, float(prices @ limits + lacking @ demand))
        if len(pairs) == len(line) or gain.max() < ROUNDING:
            break
        best = np.argsort(-gain, kind="stable")[: MOST_PAIRS // 2]
        following = np.union1d(pairs[(taken > 0) | (gain[pairs] > -NEAR)], best[gain[best] > 0])
    for place in np.flatnonzero(taken > SLACK).tolist():
        # A little more, so that rounding down is honest.
        shares[line[pairs[place]]][int(lot[pairs[place]])] = float(taken[place]) + SLACK
    return Ceiling(int(np.floor(cases + SLACK)), shares, line, lot, gain)


def _relaxed(table: csc_array, limits: Reals) -> tuple[Reals, Reals]:
    """Return the cases of each pair in a best relaxed answer, and the price of every limit."""
    result = linprog(  # type: ignore[call-overload]  # the stubs know no sparse tables
        -np.ones(table.shape[1]), A_ub=table, b_ub=limits, bounds=(0, None), method="highs"
    )
    if result.status != 0:  # zero is feasible and the demand bounds it
        raise ArithmeticError(f"the linear program ended with status {result.status}")
    return result.x, np.maximum(-result.ineqlin.marginals, 0)


def _shares_of_a_lot(wave: ProductWave, line: Cases, lot: Cases, demand: Cases) -> Reals:
    """Return how much of a new lot one case of each (line, lot) uses up."""
    label = np.array(wave.labels)[lot]
    whole = np.zeros((len(wave.lines), max(wave.labels) + 1))
    np.add.at(whole, (line, label), np.array(wave.free)[lot])
    is_new = [one not in wave.had[place] for place, one in zip(line.tolist(), label.tolist(), strict=True)]
    return np.asarray(np.array(is_new) / np.minimum(whole[line, label], demand[line]), np.float64)
