"""
When two sensors of one room contradict each other.

They are compared at every instant one of them spoke and the other was listening: its value there is read off
the straight line between its own neighbouring readings, and no line is drawn across its silences. They
disagree when the values lie further apart than both stated errors and a margin for the distance between the
two places explain, for longer than it takes a room's air to mix. Margin and time are our own convention;
there is no outside source for them.
"""

import math

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.air import Joined, Series
from rimekeep.climate.core.readings import GAP_INTERVALS, PLAUSIBLE_C, FloatArray
from rimekeep.excursions.core.detection import Detected, detect
from rimekeep.excursions.core.rules import Rule

MARGIN_C = 1.0
LASTS_S = 3600.0


def allowed_difference_c(error_c: float, other_error_c: float) -> float:
    """Return how far two sensors of one room may be apart, from their stated errors. [K]"""
    return error_c + other_error_c + MARGIN_C


def differences(one: Series, other: Series) -> Joined:
    """
    Return how far two sensors are apart, at every instant both are known.

    Parameters
    ----------
    one, other
        What each said, times ascending.

    Returns
    -------
    Joined
        ``temp_c`` is the distance, never negative, at most what a rule can hold; ``sensor_id`` is whose
        reading it was compared at. [K]

    Examples
    --------
    >>> one = Series(1, 600.0, np.array([0.0, 600.0]), np.array([2.0, 4.0]))
    >>> other = Series(2, 600.0, np.array([300.0, 900.0]), np.array([5.0, 5.0]))
    >>> differences(one, other).at_s.tolist(), differences(one, other).temp_c.tolist()
    ([300.0, 600.0], [2.0, 1.0])
    """
    at_s = np.union1d(one.at_s, other.at_s)
    (first, is_first), (second, _) = _known_at(one, at_s), _known_at(other, at_s)
    both = ~(np.isnan(first) | np.isnan(second))
    apart = np.minimum(np.abs(first[both] - second[both]), PLAUSIBLE_C[1])
    limit_s = GAP_INTERVALS * max(one.interval_s, other.interval_s)
    whose = np.where(is_first[both], one.sensor_id, other.sensor_id)
    return Joined(at_s[both], apart, np.full(apart.size, limit_s), whose)


def disagreements(apart: Joined, *, allowed_c: float, lasts_s: float = LASTS_S) -> list[Detected]:
    """
    Return when two sensors were further apart than ``allowed_c`` for ``lasts_s`` without a break.

    Parameters
    ----------
    apart
        How far they are apart, see `differences`.
    allowed_c
        The distance that still counts as agreement, see `allowed_difference_c`. [K]
    lasts_s
        How long it may be exceeded. [s]

    Returns
    -------
    list of Detected
        ``peak_c`` is the greatest distance. [K]
    """
    return detect(apart, beyond(allowed_c, lasts_s))


def beyond(allowed_c: float, lasts_s: float = LASTS_S) -> Rule:
    """Return the rule that more than a distance, for a time, is too much."""
    return Rule("above", math.nextafter(allowed_c, math.inf), "single", lasts_s)


def _known_at(series: Series, at_s: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """
    Return a sensor's value at instants, and which of them are its own.

    NaN before its first reading, after its last and in silences.
    """
    size = series.at_s.size
    if not size:
        return np.full(at_s.size, np.nan), np.zeros(at_s.size, dtype=bool)
    value = np.interp(at_s, series.at_s, series.temp_c, left=np.nan, right=np.nan)
    after = np.searchsorted(series.at_s, at_s)
    is_own = series.at_s[np.minimum(after, size - 1)] == at_s
    silent = np.concatenate([[False], np.diff(series.at_s) > GAP_INTERVALS * series.interval_s, [False]])
    value[silent[after] & ~is_own] = np.nan
    return value, is_own
