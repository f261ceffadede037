"""
What is kept of readings when they are thinned: the least, the mean and the greatest of every hour.

Which sensor speaks for a thinned hour is our own convention; there is no outside source for it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimekeep.climate.core.air import IntArray, Joined, Series
from rimekeep.climate.core.readings import GAP_INTERVALS, FloatArray

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Hours:
    """
    Hours of one sensor or one room: arrays of one shape (n,), ascending.

    ``hour`` counts from 1970. ``mean_c`` is over time, over the ``heard_s`` seconds in which a reading stood
    for the air; ``sensor_id`` is whose figures they are. [-, °C, s, -]
    """

    hour: IntArray
    min_c: FloatArray
    mean_c: FloatArray
    max_c: FloatArray
    heard_s: FloatArray
    sensor_id: IntArray

    def only(self, which: IntArray) -> "Hours":
        """Return the hours at the places ``which``."""
        return Hours(
            self.hour[which],
            self.min_c[which],
            self.mean_c[which],
            self.max_c[which],
            self.heard_s[which],
            self.sensor_id[which],
        )


_NOTHING = np.empty(0)
NONE = Hours(np.empty(0, np.int64), _NOTHING, _NOTHING, _NOTHING, _NOTHING, np.empty(0, np.int64))


def thinned(series: Series, from_s: float, to_s: float) -> tuple[Hours, IntArray]:
    """
    Return the hours of a sensor's readings, and how many readings each holds.

    Parameters
    ----------
    series
        What it said, with the reading next before and next after the stretch.
    from_s, to_s
        The stretch, whole hours. [s since 1970]

    Returns
    -------
    tuple
        Hours in which no reading stood for the air are left out. Between readings no further apart than three
        intervals the air is a line; before a longer silence a reading stands for three intervals. Least and
        greatest include the values at the edges of the hour.

    Examples
    --------
    >>> said = Series(7, 1800.0, np.array([0.0, 1800.0, 5400.0]), np.array([2.0, 4.0, 4.0]))
    >>> hours, counts = thinned(said, 0, 7200)
    >>> hours.mean_c.tolist(), hours.heard_s.tolist(), counts.tolist()
    ([3.5, 4.0], [3600.0, 3600.0], [2, 1])
    """
    limit_s = GAP_INTERVALS * series.interval_s
    at, temp = series.at_s, series.temp_c
    next_at = np.append(at[1:], np.inf)
    joins = next_at - at <= limit_s
    # Of a reading before a silence the value holds; otherwise a line leads to the next.
    ends = np.where(joins, next_at, np.minimum(next_at, at + limit_s))
    end_c = np.where(joins, np.append(temp[1:], np.nan), temp)
    low, high = np.maximum(at, from_s), np.minimum(ends, to_s)
    real = high > low
    at, temp, ends, end_c, low, high = (one[real] for one in (at, temp, ends, end_c, low, high))
    # Cut at full hours: every piece lies in one.
    first = np.floor(low / HOUR_S).astype(np.int64)
    pieces = np.ceil(high / HOUR_S).astype(np.int64) - first
    of = np.repeat(np.arange(at.size), pieces)
    hour = first[of] + np.arange(of.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    start = np.maximum(low[of], hour * HOUR_S)
    end = np.minimum(high[of], (hour + 1) * HOUR_S)
    slope = (end_c - temp) / (ends - at)
    start_c = np.where(start == at[of], temp[of], temp[of] + slope[of] * (start - at[of]))
    stop_c = np.where(end == ends[of], end_c[of], temp[of] + slope[of] * (end - at[of]))
    held, starts = np.unique(hour, return_index=True)
    if not held.size:
        return NONE, held
    heard = np.add.reduceat(end - start, starts)
    least = np.minimum.reduceat(np.minimum(start_c, stop_c), starts)
    greatest = np.maximum.reduceat(np.maximum(start_c, stop_c), starts)
    # Summed as what exceeds the least, so that a constant hour has exactly that mean.
    excess = (start_c + stop_c) / 2 - np.repeat(least, np.diff(np.append(starts, hour.size)))
    mean = least + np.add.reduceat((end - start) * excess, starts) / heard
    inside = series.at_s[(series.at_s >= from_s) & (series.at_s < to_s)]
    places = np.searchsorted(held, np.floor(inside / HOUR_S).astype(np.int64))
    counts = np.bincount(places, minlength=held.size)
    sensors = np.full(held.size, series.sensor_id, dtype=np.int64)
    return Hours(held, least, np.clip(mean, least, greatest), greatest, heard, sensors), counts


def speaking(ranked: Sequence[Hours]) -> Hours:
    """
    Return the hours of a room: for each the sensor that heard most of it, of equals the first in rank.

    Examples
    --------
    >>> def one(sensor_id, heard_s):
    ...     value = np.array([float(sensor_id)])
    ...     return Hours(np.array([5]), value, value, value, np.array([heard_s]), np.array([sensor_id]))
    >>> speaking([one(1, 600.0), one(2, 3600.0), one(3, 3600.0)]).sensor_id.tolist()
    [2]
    """
    names = ("hour", "min_c", "mean_c", "max_c", "heard_s", "sensor_id")
    together = Hours(*(np.concatenate([getattr(hours, name) for hours in ranked]) for name in names))
    rank = np.repeat(np.arange(len(ranked)), [hours.hour.size for hours in ranked])
    order = np.lexsort((rank, -together.heard_s, together.hour))
    _, first = np.unique(together.hour[order], return_index=True)
    return together.only(order[first])


def knots(hours: Hours, thinned_until_s: float) -> Joined:
    """Return a course made of hours: a knot in the middle of each, good for an hour."""
    return Joined(
        np.asarray((hours.hour + 0.5) * HOUR_S, dtype=np.float64),
        hours.mean_c,
        np.full(hours.hour.size, HOUR_S),
        hours.sensor_id,
        thinned_until_s,
    )


def filled(hours: Hours, course: Joined, first: int, end: int) -> Hours:
    """
    Return every hour from ``first`` up to ``end``, not included; those nobody heard lie on the course.

    ``course`` has one knot or more.
    """
    hour = np.arange(first, end, dtype=np.int64)
    line = np.interp((hour + 0.5) * HOUR_S, course.at_s, course.temp_c)
    inside = hours.only(np.flatnonzero((hours.hour >= first) & (hours.hour < end)))
    place = inside.hour - first
    least, mean, greatest, heard = line.copy(), line.copy(), line.copy(), np.zeros(hour.size)
    sensor_id = np.zeros(hour.size, dtype=np.int64)
    for target, values in (
        (least, inside.min_c),
        (mean, inside.mean_c),
        (greatest, inside.max_c),
        (heard, inside.heard_s),
        (sensor_id, inside.sensor_id),
    ):
        target[place] = values
    return Hours(hour, least, mean, greatest, heard, sensor_id)
