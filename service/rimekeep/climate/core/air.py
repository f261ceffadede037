"""
One course of air per room, made from what its sensors said.

The first sensor speaks. Where it is silent for longer than three of its intervals, the
next by rank stands in; what none of them heard is bridged by a straight line and marked as such. These
conventions are our own; there is no outside source for them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.readings import GAP_INTERVALS, FloatArray
from rimekeep.errors import invalid
from rimekeep.wording import say

IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Series:
    """
    What one sensor said over a stretch of time, times ascending without repeats, and how often it reports.

    ``newest_s`` is when it spoke last at all, so that what is made of it does not depend on where the stretch
    ends; None is the last time given. [s, °C]
    """

    sensor_id: int
    interval_s: float
    at_s: FloatArray
    temp_c: FloatArray
    newest_s: float | None = None


@dataclass(frozen=True, slots=True)
class Joined:
    """
    The readings a room's air is made of: arrays of one shape (n,), times ascending.

    ``limit_s`` is how long each reading may stand alone (three intervals of its sensor), ``sensor_id`` whose
    it is. What lies before ``thinned_until_s`` are means of hours, one in the middle of each.
    [s since 1970, °C, s, -]
    """

    at_s: FloatArray
    temp_c: FloatArray
    limit_s: FloatArray
    sensor_id: IntArray
    thinned_until_s: float = -math.inf

    @property
    def max_gap_s(self) -> float | None:
        """Return the longest silence that is still no gap; None without readings. [s]"""
        return float(self.limit_s.max()) if self.limit_s.size else None

    def since(self, from_s: float) -> "Joined":
        """Return the readings from ``from_s`` on."""
        first = int(np.searchsorted(self.at_s, from_s))
        return Joined(
            self.at_s[first:],
            self.temp_c[first:],
            self.limit_s[first:],
            self.sensor_id[first:],
            self.thinned_until_s,
        )

    def then(self, later: "Joined") -> "Joined":
        """Return these readings followed by others, all of them later."""
        return Joined(
            np.concatenate([self.at_s, later.at_s]),
            np.concatenate([self.temp_c, later.temp_c]),
            np.concatenate([self.limit_s, later.limit_s]),
            np.concatenate([self.sensor_id, later.sensor_id]),
            self.thinned_until_s,
        )


def join(ranked: Sequence[Series]) -> Joined:
    """
    Return the readings that make a room's air: each sensor only where those before it are silent.

    Parameters
    ----------
    ranked
        The room's sensors, first in rank first.

    Returns
    -------
    Joined
        Within a silence of one sensor every reading of the next is taken, and before its first word too.
        After its last word a sensor counts as silent once the next one has spoken three intervals later. Of
        two readings at one time the sensor first in rank has the word.

    Examples
    --------
    >>> near = Series(1, 600.0, np.array([0.0, 600.0, 6000.0]), np.array([3.0, 3.0, 4.0]))
    >>> far = Series(2, 600.0, np.array([300.0, 1200.0, 3000.0]), np.array([9.0, 5.0, 6.0]))
    >>> join([near, far]).temp_c.tolist()
    [3.0, 3.0, 5.0, 6.0, 4.0]
    """
    none = np.empty(0)
    joined = Joined(none, none, none, np.empty(0, dtype=np.int64))
    for series in ranked:
        fits = _in_silence(joined, series)
        if not fits.any():
            continue
        count = int(np.count_nonzero(fits))
        at = np.concatenate([joined.at_s, series.at_s[fits]])
        order = np.argsort(at, kind="stable")
        joined = Joined(
            at[order],
            np.concatenate([joined.temp_c, series.temp_c[fits]])[order],
            np.concatenate([joined.limit_s, np.full(count, GAP_INTERVALS * series.interval_s)])[order],
            np.concatenate([joined.sensor_id, np.full(count, series.sensor_id, dtype=np.int64)])[order],
        )
    return joined


def _in_silence(joined: Joined, series: Series) -> NDArray[np.bool_]:
    """Mark the times at which nothing joined so far is near enough to speak for the room."""
    at_s = series.at_s
    if not joined.at_s.size or not at_s.size:
        return np.ones(at_s.size, dtype=bool)
    newest_s = at_s[-1] if series.newest_s is None else series.newest_s
    # silent[i]: the stretch before knot i; the last entry is the stretch after all knots.
    silent = np.concatenate([[True], _gaps(joined), [newest_s > joined.at_s[-1] + joined.limit_s[-1]]])
    place = np.searchsorted(joined.at_s, at_s)
    repeats = joined.at_s[np.minimum(place, joined.at_s.size - 1)] == at_s
    return np.asarray(silent[place] & ~repeats)


def _gaps(joined: Joined) -> NDArray[np.bool_]:
    limit = np.maximum(joined.limit_s[:-1], joined.limit_s[1:])
    return np.asarray(np.diff(joined.at_s) > limit)


@dataclass(frozen=True, slots=True)
class Air:
    """
    Air of one room over a stretch of time, linear between knots.

    ``at_s`` ascends from the first to the last second asked for, shape (n,), n ≥ 2; ``bridged_s`` has shape
    (m, 2): from and until of each stretch nothing was measured in. ``is_assumed`` says that there are no
    readings at all and the room's planned temperature stands in for them. The first ``thinned_s`` seconds are
    known by the means of their hours only, drawn from the middle of one to that of the next.
    [s since 1970, °C]
    """

    at_s: FloatArray
    temp_c: FloatArray
    bridged_s: FloatArray
    sensor_ids: tuple[int, ...] = ()
    is_assumed: bool = False
    thinned_s: float = 0.0

    def cut(self, from_s: float, to_s: float) -> "Air":
        """Return the part between two instants, both inside."""
        first = int(np.searchsorted(self.at_s, from_s, side="right"))
        last = int(np.searchsorted(self.at_s, to_s, side="left"))
        ends = np.interp([from_s, to_s], self.at_s, self.temp_c)
        at = np.concatenate([[from_s], self.at_s[first:last], [to_s]])
        temp = np.concatenate([ends[:1], self.temp_c[first:last], ends[1:]])
        return Air(
            at,
            temp,
            _clipped(self.bridged_s, from_s, to_s),
            self.sensor_ids,
            self.is_assumed,
            _length(from_s, min(to_s, float(self.at_s[0]) + self.thinned_s)),
        )

    @property
    def bridged_total_s(self) -> float:
        """Return how many seconds nothing was measured in. [s]"""
        return float((self.bridged_s[:, 1] - self.bridged_s[:, 0]).sum())


def _clipped(stretches: FloatArray, from_s: float, to_s: float) -> FloatArray:
    if not stretches.size:
        return stretches
    clipped = np.clip(stretches, from_s, to_s)
    return clipped[clipped[:, 1] > clipped[:, 0]]


def air_between(joined: Joined, from_s: float, to_s: float) -> Air:
    """
    Return the air between two instants.

    Parameters
    ----------
    joined
        One reading or more; those next before and next after the stretch belong to it.
    from_s, to_s
        The stretch, ``from_s`` ≤ ``to_s``. [s since 1970]

    Returns
    -------
    Air
        Linear between readings; before the first and after the last its value holds. Silences longer than a
        reading may stand alone are marked as bridged.

    Raises
    ------
    Invalid
        There is no reading, or the stretch ends before it begins.
    """
    if not joined.at_s.size:
        raise invalid(
            "joined", say("There are no readings."), say("Ask for a room whose sensors have spoken.")
        )
    if not from_s <= to_s:
        raise invalid(
            "to", say("The stretch ends before it begins."), say("Give an end at or after the start.")
        )
    inside = slice(
        int(np.searchsorted(joined.at_s, from_s, side="right")),
        int(np.searchsorted(joined.at_s, to_s, side="left")),
    )
    ends = np.interp([from_s, to_s], joined.at_s, joined.temp_c)
    near = slice(max(inside.start - 1, 0), inside.stop + 1)
    return Air(
        np.concatenate([[from_s], joined.at_s[inside], [to_s]]),
        np.concatenate([ends[:1], joined.temp_c[inside], ends[1:]]),
        _bridged(joined, from_s, to_s),
        tuple(int(sensor_id) for sensor_id in np.unique(joined.sensor_id[near])),
        thinned_s=_length(from_s, min(to_s, joined.thinned_until_s)),
    )


def _length(from_s: float, to_s: float) -> float:
    return max(0.0, to_s - from_s)


def _bridged(joined: Joined, from_s: float, to_s: float) -> FloatArray:
    where = np.flatnonzero(_gaps(joined))
    stretches = [np.column_stack([joined.at_s[where], joined.at_s[where + 1]])]
    first, last = float(joined.at_s[0]), float(joined.at_s[-1])
    if from_s < first - joined.limit_s[0]:
        stretches.insert(0, np.array([[from_s, first]]))
    if to_s > last + joined.limit_s[-1]:
        stretches.append(np.array([[last, to_s]]))
    return _clipped(np.concatenate(stretches), from_s, to_s)


def assumed(from_s: float, to_s: float, temp_c: float) -> Air:
    """Return air of a room nobody measured: its planned temperature, all of it marked as bridged."""
    stretch = np.array([from_s, to_s])
    bridged = stretch[None, :] if to_s > from_s else np.empty((0, 2))
    return Air(stretch, np.full(2, float(temp_c)), bridged, is_assumed=True)
