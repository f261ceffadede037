"""Sums of decaying exponentials: values, integrals, and where they cross a level, in closed form."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

FloatArray = NDArray[np.float64]

# Nearer to zero than this a value counts as zero: far below what any thermometer tells. [K or W]
NIL = 1e-9


@dataclass(frozen=True, slots=True)
class Decays:
    """``level + Σ c_k exp(−r_k t)``, rates of 0 or more. [any unit, 1/s]"""

    level: float
    factors: FloatArray
    rates: FloatArray

    def at(self, t: float) -> float:
        """Return the value at a time. [s]"""
        return self.level + float(self.factors @ np.exp(-self.rates * t))

    def on(self, t: FloatArray) -> FloatArray:
        """Return the values at times. [s]"""
        return np.asarray(self.level + np.exp(-np.multiply.outer(t, self.rates)) @ self.factors)

    def integral(self, t: float) -> float:
        """Return the integral from 0 to a time."""
        steady = self.rates == 0
        safe = np.where(steady, 1.0, self.rates)
        spans = np.where(steady, t, -np.expm1(-self.rates * t) / safe)
        return self.level * t + float(self.factors @ spans)

    def less(self, value: float) -> "Decays":
        """Return the same, lower by a value."""
        return Decays(self.level - value, self.factors, self.rates)

    def times(self, share: float) -> "Decays":
        """Return the same, multiplied."""
        return Decays(self.level * share, self.factors * share, self.rates)

    def slope(self) -> float:
        """Return how fast it rises at 0."""
        return -float(self.factors @ self.rates)

    def first_zero(self, until: float) -> float | None:
        """Return the first time after 0 and up to ``until`` at which it changes sign, None if it does not."""
        terms = [(self.level, 0.0), *zip(self.factors.tolist(), self.rates.tolist(), strict=True)]
        for left, right in _monotone(terms, until):
            low, high = self.at(left), self.at(right)
            # What begins at zero goes away from it at first; in a monotone stretch it does not come back.
            if abs(low) <= NIL or abs(high) <= NIL or (low > 0) == (high > 0):
                if abs(low) > NIL and abs(high) <= NIL and right < until:
                    return right
                continue
            return float(brentq(self.at, left, right, xtol=1e-10, rtol=1e-14))
        return None


def _monotone(terms: Sequence[tuple[float, float]], until: float) -> list[tuple[float, float]]:
    """Return the stretches of 0…until between the zeros of a sum's slope."""
    slopes = [(-factor * rate, rate) for factor, rate in terms]
    edges = [0.0, *_zeros(slopes, until), until]
    return list(pairwise(edges))


def _zeros(terms: Sequence[tuple[float, float]], until: float) -> list[float]:
    """
    Return all zeros within 0…until of ``Σ c exp(−r t)``, in order.

    Rolle's theorem: divided by its slowest term, the sum's slope has a term less, and between two zeros of
    the slope lies one zero of the sum at most.
    """
    merged: dict[float, float] = {}
    for factor, rate in terms:
        merged[rate] = merged.get(rate, 0.0) + factor
    left = sorted((rate, factor) for rate, factor in merged.items() if factor != 0)
    if len(left) < 2:
        return []
    slowest = left[0][0]
    own = [(factor, rate - slowest) for rate, factor in left]

    def value(t: float) -> float:
        return sum(factor * float(np.exp(-rate * t)) for factor, rate in own)

    turns = _zeros([(-factor * rate, rate) for factor, rate in own], until)
    edges = [0.0, *turns, until]
    found = []
    for low, high in pairwise(edges):
        at_low, at_high = value(low), value(high)
        if at_low == 0:
            found.append(low)
        elif (at_low > 0) != (at_high > 0) and at_high != 0:
            found.append(float(brentq(value, low, high, xtol=1e-10, rtol=1e-14)))
    return [one for one in found if 0 < one < until]
