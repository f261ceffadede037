"""
Packs on their way to a room's core.

A pack that comes in warmer or colder than the room's core is integrated by itself only until the difference
has died away; from then on the room's hours are its own.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rimekeep.shelflife.core.hours import (
    HOUR_S,
    Course,
    IntArray,
    RoomHours,
    columns,
    sums_of,
)
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.segments import Segments

# A core this near to the room's ages at its rate to twelve digits. [°C]
SETTLED_C = 1e-9
# Segments integrated in one go: keeps the memory of a large refresh small.
SEGMENTS_AT_ONCE = 32_000


@dataclass(frozen=True, slots=True)
class Stood:
    """What standing in a room did to n packs: sums (n, columns), core at the end, lowest core (n,). [°C]"""

    sums: FloatArray
    core_c: FloatArray
    low_c: FloatArray


def stand(
    course: Course, profile: Profile, *, from_s: FloatArray, core_c: FloatArray, to_s: FloatArray
) -> Stood:
    """
    Integrate packs by themselves, each over its own stretch of one room's air.

    Parameters
    ----------
    course
        The room's air over all of the stretches, with any one core that follows it.
    profile
        How the packs age; its τ is the course's.
    from_s, core_c, to_s
        Shape (n,): start, core at the start, and end ≥ start. [s since 1970, °C]

    Returns
    -------
    Stood
        The relative error of each integral is below 1e-11.

    Notes
    -----
    Two solutions of the core's equation differ by ``exp(−t/τ)`` times their first difference, so the course's
    core gives each pack's own core at every knot.
    """
    count = from_s.size
    start_h, end_h = (from_s - course.origin_s) / HOUR_S, (to_s - course.origin_s) / HOUR_S
    low = np.searchsorted(course.times_h, start_h, side="right")
    high = np.maximum(np.searchsorted(course.times_h, end_h, side="left"), low)
    ahead = core_c - course.core_at(from_s)
    sums = np.zeros((count, columns(profile)))
    lowest = core_c.copy()
    for chosen in _parts(high - low + 1):
        own = _segments(course, start_h[chosen], end_h[chosen], low[chosen], high[chosen], ahead[chosen])
        found = sums_of(own.segments, own.is_bridged, profile)
        sums[chosen] = np.add.reduceat(found, own.starts, axis=0)
        lowest[chosen] = np.minimum.reduceat(own.segments.core_start_c, own.starts)
    end_c = course.core_at(to_s)
    if course.tau_h > 0:
        end_c = end_c + ahead * np.exp(-(end_h - start_h) / course.tau_h)
    return Stood(sums, end_c, np.minimum(lowest, end_c))


def _parts(sizes: IntArray) -> Iterator[IntArray]:
    group = np.cumsum(sizes) // SEGMENTS_AT_ONCE
    edges = np.flatnonzero(np.diff(group)) + 1
    for part in np.split(np.arange(sizes.size), edges):
        if part.size:
            yield part


@dataclass(frozen=True, slots=True)
class _Own:
    segments: Segments
    is_bridged: np.ndarray[tuple[int], np.dtype[np.bool_]]
    starts: IntArray


def _segments(
    course: Course,
    start_h: FloatArray,
    end_h: FloatArray,
    low: IntArray,
    high: IntArray,
    ahead: FloatArray,
) -> _Own:
    """Return the stretches of all packs, one after the other: from its start over the knots to its end."""
    sizes = high - low + 1
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    pack = np.repeat(np.arange(sizes.size), sizes)
    place = np.arange(sizes.sum()) - starts[pack]
    knot = low[pack] + place
    is_first, is_last = place == 0, place == sizes[pack] - 1
    last_knot = course.times_h.size - 1
    begin = np.where(is_first, start_h[pack], course.times_h[np.minimum(knot - 1, last_knot)])
    end = np.where(is_last, end_h[pack], course.times_h[np.minimum(knot, last_knot)])
    begin_air = course.air_c[np.clip(knot - 1, 0, last_knot)]
    end_air = course.air_c[np.minimum(knot, last_knot)]
    begin_core = course.core_c[np.clip(knot - 1, 0, last_knot)]
    begin_air = np.where(is_first, course.air_at(start_h)[pack], begin_air)
    end_air = np.where(is_last, course.air_at(end_h)[pack], end_air)
    own_start = course.core_at(start_h * HOUR_S + course.origin_s)
    begin_core = np.where(is_first, own_start[pack], begin_core)
    if course.tau_h > 0:
        begin_core = begin_core + ahead[pack] * np.exp(-(begin - start_h[pack]) / course.tau_h)
    bridged = course.is_bridged[np.clip(knot - 1, 0, max(0, course.is_bridged.size - 1))]
    return _Own(Segments(end - begin, begin_air, end_air, begin_core), bridged, starts)


@dataclass(frozen=True, slots=True)
class Room:
    """
    One room for one profile: its air as a course, and its whole hours so far.

    The course reaches from where it is needed to now; the hours may begin earlier and end before it.
    ``running`` is the hours' running sum.
    """

    course: Course
    hours: RoomHours
    running: FloatArray

    @property
    def closed_s(self) -> float:
        """Return up to when whole hours are summed. [s since 1970]"""
        return self.hours.until * HOUR_S

    def between(self, from_hour: IntArray, until_hour: IntArray) -> FloatArray:
        """Return the sums from some hours to before others, shape (n, columns)."""
        return np.asarray(
            self.running[until_hour - self.hours.first] - self.running[from_hour - self.hours.first]
        )

    def core_at_hour(self, hour: IntArray) -> FloatArray:
        """Return the room's core at the start of hours. [°C]"""
        return np.asarray(self.hours.core_c[hour - self.hours.first])


@dataclass(frozen=True, slots=True)
class Standing:
    """
    Where n packs stand in a room after a stretch: sums since its start, core, instant.

    ``is_settled``: from ``at_s``, a whole hour, on their core is the room's. ``low_c`` is the lowest core
    while they were integrated by themselves. [s since 1970, °C]
    """

    sums: FloatArray
    core_c: FloatArray
    at_s: FloatArray
    is_settled: np.ndarray[tuple[int], np.dtype[np.bool_]]
    low_c: FloatArray


def settle(
    room: Room,
    profile: Profile,
    *,
    from_s: FloatArray,
    core_c: FloatArray,
    until_s: FloatArray | None = None,
) -> Standing:
    """
    Bring packs as far towards the room's core as whole hours are summed.

    Parameters
    ----------
    room
        Its hours must reach back to the hour of the earliest start.
    from_s, core_c
        Since when each stands there, and with which core, shape (n,). [s since 1970, °C]
    until_s
        Where each leaves, shape (n,); None: it does not. [s since 1970]

    Returns
    -------
    Standing
        At the hour a pack settled, or at the last whole hour for one still on its way (at its start if that
        is later).
    """
    closed = np.full(from_s.size, room.hours.until)
    if until_s is not None:
        closed = np.minimum(closed, np.floor(until_s / HOUR_S).astype(np.int64))
    first = np.ceil(from_s / HOUR_S).astype(np.int64)
    inside = first <= closed
    to_s = np.where(inside, first * HOUR_S, from_s)
    begun = stand(room.course, profile, from_s=from_s, core_c=core_c, to_s=to_s)
    at_hour = np.where(inside, first, room.hours.first)
    ahead = np.abs(begun.core_c - room.core_at_hour(at_hour))
    settled_at = at_hour + _hours_to_settle(ahead, profile.tau_h)
    is_settled = inside & (settled_at <= closed)
    until = np.where(inside, np.minimum(settled_at, closed), at_hour)
    end_s = np.where(inside, until * HOUR_S, from_s)
    later = stand(room.course, profile, from_s=to_s, core_c=begun.core_c, to_s=end_s)
    return Standing(
        begun.sums + later.sums, later.core_c, end_s, is_settled, np.minimum(begun.low_c, later.low_c)
    )


def _hours_to_settle(ahead_c: FloatArray, tau_h: float) -> IntArray:
    if tau_h == 0:
        return np.zeros(ahead_c.size, dtype=np.int64)
    ratio = np.maximum(ahead_c / SETTLED_C, 1.0)
    return np.ceil(tau_h * np.log(ratio)).astype(np.int64)


def leave(
    room: Room,
    profile: Profile,
    *,
    from_s: FloatArray,
    core_c: FloatArray,
    to_s: FloatArray,
    is_settled: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> Stood:
    """
    Return what standing in a room to the end of the stay did to packs.

    Parameters
    ----------
    from_s, core_c, to_s
        Shape (n,): start, core at the start, end. [s since 1970, °C]
    is_settled
        Which packs' core is the room's from ``from_s``, a whole hour, on.

    Returns
    -------
    Stood
        Those settled by whole hours and the rest of the last one; the others by themselves.
    """
    closed = room.hours.until
    start = np.where(is_settled, np.round(from_s / HOUR_S), 0).astype(np.int64)
    last = np.where(is_settled, np.minimum(np.floor(to_s / HOUR_S), closed), 0).astype(np.int64)
    by_hours = is_settled & (last >= start)
    place = np.where(by_hours, start, room.hours.first)
    end = np.where(by_hours, last, room.hours.first)
    sums = room.between(place, end)
    rest_from = np.where(by_hours, end * HOUR_S, from_s)
    rest_core = np.where(by_hours, room.core_at_hour(end), core_c)
    rest = stand(room.course, profile, from_s=rest_from, core_c=rest_core, to_s=to_s)
    lows = rest.low_c.copy()
    for pack in np.flatnonzero(by_hours & (end > place)):
        span = slice(int(place[pack]) - room.hours.first, int(end[pack]) - room.hours.first)
        lows[pack] = min(lows[pack], float(room.hours.low_c[span].min()))
    return Stood(sums + rest.sums, rest.core_c, lows)


def stay_through(
    room: Room, profile: Profile, *, from_s: FloatArray, core_c: FloatArray, to_s: FloatArray
) -> Stood:
    """Return what a whole stay, from arrival to departure, did to packs; parameters as in `leave`."""
    arrived = settle(room, profile, from_s=from_s, core_c=core_c, until_s=to_s)
    gone = leave(
        room,
        profile,
        from_s=arrived.at_s,
        core_c=arrived.core_c,
        to_s=to_s,
        is_settled=arrived.is_settled,
    )
    return Stood(arrived.sums + gone.sums, gone.core_c, np.minimum(arrived.low_c, gone.low_c))


def settling_h(tau_h: float, *, widest_c: float = 140.0) -> float:
    """Return how long no pack takes longer than to settle. [h]"""
    return tau_h * math.log(widest_c / SETTLED_C) + 2
