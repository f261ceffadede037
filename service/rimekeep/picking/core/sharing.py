"""
A close bound on walks shared by units: prices for the units that no walk may undercut.

If every set of units that fits on one walk costs at least the sum of its units' prices, all prices together
are a length no sharing goes below (the dual of set partitioning: M. L. Balinski and R. E. Quandt, "On an
integer program for a delivery problem", Operations Research 12, 1964, from memory). The prices come from a
linear program that meets the sets it lacks one after another. A set is first taken at a length that is quick
to tell for all sets at once, and walked exactly as soon as the prices rest on it.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

Reals = NDArray[np.float64]
Sets = NDArray[np.intp]

# More sets than this are not listed: half a second of work and some tens of megabytes.
MOST_SETS = 600_000
# Sets met in one round, rounds, and sets walked exactly in all: about two seconds of work.
A_ROUND, ROUNDS, MOST_WALKED = 150, 40, 3_000


def can_list(units: int, most_units: int) -> bool:
    """Tell whether the sets of units that fit on one walk are few enough to look at each."""
    return sum(comb(units, size) for size in range(1, most_units + 1)) <= MOST_SETS


def priced_bound_m(parts_m: Reals, walk_m: Callable[[Sequence[int]], float], *, most_units: int) -> float:
    """
    Return a length no sharing among walks of ``most_units`` goes below. [m]

    Parameters
    ----------
    parts_m
        What each unit makes a walk cover in each part of the store, shape (units, parts): a walk through
        several covers of every part at least what the most demanding one does. [m]
    walk_m
        The exact length of the shortest walk through some units, never below that. [m]
    most_units
        Units a walk takes, >= 1; see `can_list`.
    """
    count = len(parts_m)
    sets = np.concatenate(list(_sets(count, most_units)))
    least_m = np.concatenate([_covered_m(parts_m, some) for some in _sets(count, most_units)])
    is_walked = np.zeros(len(sets), np.bool_)
    met = np.zeros(0, np.intp)
    best_m = 0.0
    following = np.flatnonzero(sets[:, 0] == sets[:, -1])  # every unit by itself
    for _ in range(ROUNDS):
        for place in following[~is_walked[following]][: MOST_WALKED - int(is_walked.sum())].tolist():
            least_m[place] = max(least_m[place], walk_m(sorted(set(sets[place].tolist()))))
            is_walked[place] = True
        met = np.union1d(met, following)
        prices = _prices(sets[met], least_m[met], count)
        # Where a set costs less than its units' prices, all prices shrink until it does not.
        asked_m = _sums(prices, sets)
        scale = float(np.min(least_m / np.maximum(asked_m, 1e-12), initial=1.0))
        best_m = max(best_m, scale * float(prices.sum()))
        lacking = least_m - asked_m
        following = np.argsort(lacking, kind="stable")[:A_ROUND]
        following = following[lacking[following] < -1e-6]
        resting = met[(np.abs(lacking[met]) < 1e-6) & ~is_walked[met]]
        following = np.union1d(following, resting)
        if not len(following) or (is_walked.sum() >= MOST_WALKED and not (lacking < -1e-6).any()):
            break
    return best_m


def _sets(count: int, most_units: int) -> Iterator[Sets]:
    """Yield all sets by size, each row filled up with its last unit."""
    for size in range(1, min(count, most_units) + 1):
        table = np.fromiter(
            (unit for some in combinations(range(count), size) for unit in some), np.intp
        ).reshape(-1, size)
        yield np.pad(table, ((0, 0), (0, most_units - size)), mode="edge")


def _covered_m(parts_m: Reals, sets: Sets) -> Reals:
    """Return the parts each set covers at least, added up; part by part, to keep memory small. [m]"""
    total = np.zeros(len(sets))
    for part in parts_m.T:
        most = part[sets[:, 0]]
        for column in sets.T[1:]:
            np.maximum(most, part[column], out=most)
        total += most
    return total


def _sums(prices: Reals, sets: Sets) -> Reals:
    """Return the prices of each set's units added up; a repeated unit counts once."""
    total = prices[sets[:, 0]]
    for before, column in zip(sets.T[:-1], sets.T[1:], strict=True):
        total = total + np.where(before == column, 0.0, prices[column])
    return total


def _prices(sets: Sets, least_m: Reals, count: int) -> Reals:
    """Return the prices with the greatest sum that none of some sets undercuts."""
    rows = np.repeat(np.arange(len(sets)), sets.shape[1])
    table = coo_array((np.ones(sets.size), (rows, sets.ravel())), shape=(len(sets), count)).tocsr()
    table.data[:] = 1.0  # a repeated unit counts once
    result = linprog(  # type: ignore[call-overload]  # the stubs know no sparse tables
        -np.ones(count), A_ub=table, b_ub=least_m, bounds=(0, None), method="highs"
    )
    if result.status != 0:  # zero is feasible, and every unit by itself bounds it
        raise ArithmeticError(f"the linear program ended with status {result.status}")
    return np.asarray(result.x, np.float64)
