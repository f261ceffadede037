"""What a pack has lived through: the rooms it stood in, joined into one course of air, and what that cost."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.projection import days_to_end
from rimekeep.shelflife.core.segments import Route, Segments, segment_life
from rimekeep.shelflife.core.thermal import FloatArray, core_at_knots

# After so many time constants a core is where the air is, to the last digit: exp(−40) < 1e-17.
SETTLED_TAU = 40.0
# A century: beyond it a date says nothing, and calendars end.
LONGEST_DAYS = 36_500.0


@dataclass(frozen=True, slots=True)
class Profile:
    """How one product ages and when it freezes; ``planned_c`` is where it is kept from now on."""

    id: int
    version: int
    routes: tuple[Route, ...]
    tau_h: float
    planned_c: float
    freezing_c: float
    freezing_minutes: float


@dataclass(frozen=True, slots=True)
class Lived:
    """
    The course of a pack's life: arrays over its knots.

    ``at_s``, ``air_c`` and ``core_c`` have shape (n,), ``used`` (routes, n) with the share of life used so
    far. Two knots at one time are a step into another room. ``bridged_s`` is how long nothing was measured
    around it. [s since 1970, °C, -, s]
    """

    at_s: FloatArray
    air_c: FloatArray
    core_c: FloatArray
    used: FloatArray
    bridged_s: float


def joined_air(legs: Sequence[Air]) -> tuple[FloatArray, FloatArray]:
    """Return times and air of consecutive legs, with a step at each change of rooms. [s since 1970, °C]"""
    return np.concatenate([leg.at_s for leg in legs]), np.concatenate([leg.temp_c for leg in legs])


def lived(legs: Sequence[Air], profile: Profile, *, start_core_c: float | None) -> Lived:
    """
    Return what a pack lived through.

    Parameters
    ----------
    legs
        The air of each stay, in order, one or more.
    profile
        How it ages.
    start_core_c
        Core at the start of the first leg; None: as the air there. [°C]

    Returns
    -------
    Lived
        The core follows the air across rooms without a jump (unless the time constant is zero); the integral
        of each segment is good to a relative 1e-11.
    """
    at_s, air_c = joined_air(legs)
    # Hours since the start, not since 1970: keeps the digits.
    times_h = (at_s - at_s[0]) / 3600
    start_c = float(air_c[0]) if start_core_c is None else start_core_c
    core_c = core_at_knots(times_h, air_c, tau_h=profile.tau_h, start_c=start_c)
    segments = Segments(np.diff(times_h), air_c[:-1], air_c[1:], core_c[:-1])
    parts = segment_life(segments, routes=profile.routes, tau_h=profile.tau_h)
    used = np.concatenate([np.zeros((len(profile.routes), 1)), np.cumsum(parts, axis=1)], axis=1)
    return Lived(at_s, air_c, core_c, used, sum(leg.bridged_total_s for leg in legs))


def spent_at_s(course: Lived) -> tuple[float, int] | None:
    """
    Return when the first route of ageing had used a pack up, and its index; None while all have life left.

    Between knots the share used is taken as a straight line.

    Examples
    --------
    >>> line = np.array([0.0, 600.0])
    >>> spent_at_s(Lived(line, line, line, np.array([[0.0, 2.0], [0.0, 0.5]]), 0.0))
    (300.0, 0)
    """
    found = []
    for route, used in enumerate(course.used):
        if used[-1] < 1:
            continue
        end = int(np.argmax(used >= 1))
        share = (1 - used[end - 1]) / (used[end] - used[end - 1])
        start_s = course.at_s[end - 1]
        found.append((float(start_s + share * (course.at_s[end] - start_s)), route))
    return min(found, default=None)


def days_left(used: FloatArray, core_c: FloatArray, profile: Profile) -> tuple[FloatArray, NDArray[np.intp]]:
    """
    Return how long packs keep from now on at the planned temperature, and which route ends each.

    Parameters
    ----------
    used
        Share of life used, shape (n, routes). [-]
    core_c
        Core now, shape (n,). [°C]
    profile
        How they age.

    Returns
    -------
    tuple
        Days (at most a century), shape (n,), and the index of the limiting route; of spent routes the most
        spent one. [days]

    Notes
    -----
    A core still on its way costs a fixed extra share on top of the steady rate; once the end lies beyond the
    way, that share is all there is to know. The few packs that end on the way are solved one by one.
    """
    rates = np.array([route.rate_per_day(profile.planned_c) for route in profile.routes])
    extra = np.zeros_like(used)
    settled_days = SETTLED_TAU * profile.tau_h / 24
    if profile.tau_h > 0 and core_c.size:
        same = np.full(core_c.size, profile.planned_c)
        way = Segments(np.full(core_c.size, settled_days * 24), same, same, core_c)
        extra = segment_life(way, routes=profile.routes, tau_h=profile.tau_h).T - rates * settled_days
    days = (1 - used - extra) / rates
    limiting = np.argmin(days, axis=1)
    shortest = days[np.arange(len(days)), limiting]
    for row in np.flatnonzero((shortest < settled_days) | (used.max(axis=1, initial=0.0) >= 1)):
        shares = {route.name: float(share) for route, share in zip(profile.routes, used[row], strict=True)}
        left, name = days_to_end(
            shares,
            profile.routes,
            planned_c=profile.planned_c,
            tau_h=profile.tau_h,
            core_c=float(core_c[row]),
        )
        shortest[row] = left
        limiting[row] = [route.name for route in profile.routes].index(name)
    return np.minimum(shortest, LONGEST_DAYS), limiting


def frozen_at_s(at_s: FloatArray, core_c: FloatArray, *, limit_c: float, minutes: float) -> float | None:
    """
    Return when a core had been below its freezing point for so many minutes without a break; None if never.

    Between knots the core is taken as a straight line.

    Examples
    --------
    >>> at_s, core_c = np.array([0.0, 600, 1200, 3000]), np.array([0.0, -4, -4, -4])
    >>> frozen_at_s(at_s, core_c, limit_c=-2, minutes=10)
    900.0
    """
    if not core_c.size or core_c.min() >= limit_c:
        return None
    below = core_c < limit_c
    share = np.zeros(core_c.size - 1)
    turns = below[1:] != below[:-1]
    share[turns] = (limit_c - core_c[:-1][turns]) / np.diff(core_c)[turns]
    crossing_s = at_s[:-1] + share * np.diff(at_s)
    starts = crossing_s[turns & below[1:]]
    ends = crossing_s[turns & below[:-1]]
    if below[0]:
        starts = np.insert(starts, 0, at_s[0])
    if below[-1]:
        ends = np.append(ends, at_s[-1])
    long_enough = np.flatnonzero(ends - starts >= minutes * 60)
    return float(starts[long_enough[0]] + minutes * 60) if long_enough.size else None


def life_lost_days(
    before: Sequence[Air],
    window: Sequence[Air],
    planned: Sequence[Air],
    profile: Profile,
    *,
    start_core_c: float | None,
) -> float:
    """
    Return how many days of life the air of a window cost, against air as it was planned.

    Parameters
    ----------
    before
        The air of the pack's stays up to the window; may be empty.
    window, planned
        The air of its stays within the window as it was, and as it should have been; one or more.
    profile
        How it ages.
    start_core_c
        Core at the start of it all; None: as the air there. [°C]

    Returns
    -------
    float
        Life used in the window and by the core's way back to the profile's planned temperature after it,
        less the same with the planned air, in days at the profile's planned temperature, on the route that
        ends the pack first. Never below zero: air colder than planned costs no life. [days]

    Notes
    -----
    The way back belongs to the cost: a pallet warmed for an hour stays warm for many more. A pack of unknown
    core that came in with the window is taken to have come in as the planned air is, in both courses.
    """
    past = lived(before, profile, start_core_c=start_core_c) if before else None
    entering_c = start_core_c if past is None else float(past.core_c[-1])
    if entering_c is None:
        entering_c = float(planned[0].temp_c[0])
    actual, meant = (
        spent.used[:, -1] + _way_back(float(spent.core_c[-1]), profile)
        for spent in (lived(legs, profile, start_core_c=entering_c) for legs in (window, planned))
    )
    used = actual if past is None else past.used[:, -1] + actual
    rates = np.array([route.rate_per_day(profile.planned_c) for route in profile.routes])
    limiting = int(np.argmin((1 - used) / rates))
    return max(0.0, float((actual[limiting] - meant[limiting]) / rates[limiting]))


def _way_back(core_c: float, profile: Profile) -> FloatArray:
    """Return what each route uses up, above the steady rate, until the core is at the planned temperature."""
    if profile.tau_h == 0:
        return np.zeros(len(profile.routes))
    hours = SETTLED_TAU * profile.tau_h
    way = Segments(*(np.array([value]) for value in (hours, profile.planned_c, profile.planned_c, core_c)))
    steady = np.array([route.rate_per_day(profile.planned_c) * hours / 24 for route in profile.routes])
    used: FloatArray = segment_life(way, routes=profile.routes, tau_h=profile.tau_h)[:, 0]
    return np.asarray(used - steady)
