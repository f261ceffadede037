"""
What an hour in a room costs every pack alike: sums shared by all that stand there.

A pack's core follows ``dT/dt = (T_air − T)/τ``. All solutions of it in one room run together as time goes on:
the *room's core*, one solution kept for each room and profile, is the core of every pack that has stood there
for long enough. Its rate of ageing is summed once per hour; the life a pack lost over months is then the
difference of two running sums, exactly as if it had been integrated by itself.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.segments import BY_PARAMETER, BY_WARMTH, USED, Segments, segment_sums
from rimekeep.shelflife.core.thermal import core_at_knots, core_between_knots

HOUR_S = 3600.0
# Hours are kept in blocks of four weeks.
BLOCK_HOURS = 672
# Columns of a sum, for each route: life used, its slope by the route's parameter of temperature, and its
# slope by the temperature over the time nobody measured. One more column: the seconds nobody measured.
PER_ROUTE = 3
COLUMN_USED, COLUMN_PARAMETER, COLUMN_GAP = 0, 1, 2
IntArray = NDArray[np.int64]


def columns(profile: Profile) -> int:
    """Return how many columns a sum has."""
    return PER_ROUTE * len(profile.routes) + 1


def hour_of(at_s: float) -> int:
    """Return the hour since 1970 an instant lies in."""
    return int(at_s // HOUR_S)


@dataclass(frozen=True, slots=True)
class Course:
    """
    Air of a room over a stretch of time with one core that followed it; knots of shape (n,).

    ``is_bridged`` has shape (n − 1,): whether nobody measured between two knots. Times count from
    ``origin_s``, so that they keep their digits. [h since the origin, °C]
    """

    origin_s: float
    times_h: FloatArray
    air_c: FloatArray
    core_c: FloatArray
    is_bridged: NDArray[np.bool_]
    tau_h: float

    @classmethod
    def of(cls, air: Air, *, tau_h: float, core_c: float | None = None) -> Self:
        """Return the course of a core that begins at ``core_c``, or as the air is."""
        origin_s = float(air.at_s[0])
        times_h = (air.at_s - origin_s) / HOUR_S
        start_c = float(air.temp_c[0]) if core_c is None else core_c
        core = core_at_knots(times_h, air.temp_c, tau_h=tau_h, start_c=start_c)
        bridged = bridged_between(air.at_s, air.bridged_s)
        return cls(origin_s, times_h, air.temp_c, core, bridged, tau_h)

    def core_at(self, at_s: FloatArray) -> FloatArray:
        """Return this course's core at instants within it. [s since 1970] → [°C]"""
        at_h = (at_s - self.origin_s) / HOUR_S
        return core_between_knots(self.times_h, self.air_c, self.core_c, at_h, self.tau_h)

    def air_at(self, at_h: FloatArray) -> FloatArray:
        """Return the air at times within it. [h since the origin] → [°C]"""
        return np.interp(at_h, self.times_h, self.air_c)


def bridged_between(at_s: FloatArray, bridged_s: FloatArray) -> NDArray[np.bool_]:
    """Tell between which of n knots nobody measured, shape (n − 1,); stretches as in `Air`."""
    middle = (at_s[1:] + at_s[:-1]) / 2
    if not bridged_s.size:
        return np.zeros(middle.size, dtype=bool)
    place = np.searchsorted(bridged_s[:, 0], middle, side="right") - 1
    return np.asarray((place >= 0) & (middle < bridged_s[np.maximum(place, 0), 1]))


def sums_of(segments: Segments, is_bridged: NDArray[np.bool_], profile: Profile) -> FloatArray:
    """Return what each of n segments adds, shape (n, columns)."""
    found = segment_sums(segments, routes=profile.routes, tau_h=profile.tau_h)
    sums = np.empty((segments.length_h.size, columns(profile)))
    for route, part in enumerate(found):
        first = PER_ROUTE * route
        sums[:, first + COLUMN_USED] = part[USED]
        sums[:, first + COLUMN_PARAMETER] = part[BY_PARAMETER]
        sums[:, first + COLUMN_GAP] = np.where(is_bridged, part[BY_WARMTH], 0.0)
    sums[:, -1] = np.where(is_bridged, segments.length_h * HOUR_S, 0.0)
    return sums


@dataclass(frozen=True, slots=True)
class RoomHours:
    """
    The sums of one room under one profile for n whole hours from ``first`` (hours since 1970).

    ``core_c`` has shape (n + 1,): the room's core at each hour's start and at the end of the last; ``low_c``
    (n,) is the coldest core within each hour; ``sums`` has shape (n, columns). [°C]
    """

    first: int
    core_c: FloatArray
    low_c: FloatArray
    sums: FloatArray

    @property
    def until(self) -> int:
        """Return the hour after the last."""
        return self.first + len(self.sums)

    def running(self) -> FloatArray:
        """Return the running sum at each hour's start and at the end, shape (n + 1, columns)."""
        return np.concatenate([np.zeros((1, self.sums.shape[1])), np.cumsum(self.sums, axis=0)])

    def cut(self, from_hour: int, until_hour: int) -> "RoomHours":
        """Return the hours from one to before another, both within."""
        low, high = from_hour - self.first, until_hour - self.first
        return RoomHours(from_hour, self.core_c[low : high + 1], self.low_c[low:high], self.sums[low:high])

    def followed_by(self, later: "RoomHours") -> "RoomHours":
        """Return these hours up to where ``later`` begins, then ``later``."""
        keep = later.first - self.first
        return RoomHours(
            self.first,
            np.concatenate([self.core_c[:keep], later.core_c]),
            np.concatenate([self.low_c[:keep], later.low_c]),
            np.concatenate([self.sums[:keep], later.sums]),
        )


def sum_hours(air: Air, profile: Profile, *, core_c: float | None = None) -> RoomHours:
    """
    Return the sums of whole hours of a room's air.

    Parameters
    ----------
    air
        From one whole hour to another, n ≥ 0 hours apart.
    profile
        What ages.
    core_c
        The room's core at the start; None: as the air there. [°C]

    Returns
    -------
    RoomHours
        Each hour's integral is good to a relative 1e-11.
    """
    first, until = round(air.at_s[0] / HOUR_S), round(air.at_s[-1] / HOUR_S)
    edges_s = np.arange(first, until + 1) * HOUR_S
    at_s = np.union1d(air.at_s, edges_s)
    split = Air(at_s, np.interp(at_s, air.at_s, air.temp_c), air.bridged_s)
    course = Course.of(split, tau_h=profile.tau_h, core_c=core_c)
    starts = np.searchsorted(at_s, edges_s)
    if until == first:
        return RoomHours(first, course.core_c[:1], np.empty(0), np.empty((0, columns(profile))))
    segments = Segments(np.diff(course.times_h), course.air_c[:-1], course.air_c[1:], course.core_c[:-1])
    sums = np.add.reduceat(sums_of(segments, course.is_bridged, profile), starts[:-1], axis=0)
    lows = np.minimum.reduceat(course.core_c[:-1], starts[:-1])
    core = course.core_c[starts]
    return RoomHours(first, core, np.minimum(lows, core[1:]), sums)
