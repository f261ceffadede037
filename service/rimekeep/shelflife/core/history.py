"""What a pack has lived through: the rooms it stood in, joined into one course of air, and what that cost."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.hours import COLUMN_USED, PER_ROUTE, bridged_between, sums_of
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.segments import Segments
from rimekeep.shelflife.core.thermal import FloatArray, core_at_knots


@dataclass(frozen=True, slots=True)
class Lived:
    """
    The course of a pack's life: arrays over its knots.

    ``at_s``, ``air_c`` and ``core_c`` have shape (n,), ``used`` (routes, n) with the share of life used so
    far, ``total`` the sums of it all as in `hours`. Two knots at one time are a step into another room.
    ``bridged_s`` is how long nothing was measured around it. [s since 1970, °C, -, s]
    """

    at_s: FloatArray
    air_c: FloatArray
    core_c: FloatArray
    used: FloatArray
    total: FloatArray
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
    marks = [bridged_between(leg.at_s, leg.bridged_s) for leg in legs]
    # Between two stays lies a step of no length.
    is_bridged = np.concatenate([part for mark in marks for part in ([False], mark)][1:])
    parts = sums_of(segments, is_bridged.astype(bool), profile)
    used = np.zeros((len(profile.routes), at_s.size))
    used[:, 1:] = np.cumsum(parts[:, COLUMN_USED:-1:PER_ROUTE], axis=0).T
    return Lived(at_s, air_c, core_c, used, parts.sum(axis=0), sum(leg.bridged_total_s for leg in legs))


def spent_at_s(course: Lived, *, budget: float = 1.0) -> tuple[float, int] | None:
    """
    Return when the first route of ageing had used a pack up, and its index; None while all have life left.

    ``budget`` is how many reference lives it has. Between knots the share used is taken as a straight line.

    Examples
    --------
    >>> line = np.array([0.0, 600.0])
    >>> spent_at_s(Lived(line, line, line, np.array([[0.0, 2.0], [0.0, 0.5]]), np.array([2.0, 0.5]), 0.0))
    (300.0, 0)
    """
    found = []
    for route, used in enumerate(course.used):
        if used[-1] < budget:
            continue
        end = int(np.argmax(used >= budget))
        share = (budget - used[end - 1]) / (used[end] - used[end - 1])
        start_s = course.at_s[end - 1]
        found.append((float(start_s + share * (course.at_s[end] - start_s)), route))
    return min(found, default=None)


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
