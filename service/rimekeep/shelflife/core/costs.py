"""What a window in a room that failed cost the packs that stood there."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.ends import LEAST_RATE, way_back
from rimekeep.shelflife.core.history import lived
from rimekeep.shelflife.core.hours import COLUMN_USED, PER_ROUTE, Course
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.packs import stand
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.segments import Segments, segment_life


def window_costs(
    course: Course,
    profile: Profile,
    *,
    core_c: FloatArray,
    from_s: FloatArray,
    to_s: FloatArray,
    planned_c: float,
) -> FloatArray:
    """
    Return the days of life the air of one room cost packs within windows, against air as it was planned.

    Parameters
    ----------
    course
        The room's air over all of the windows.
    profile
        How the packs age.
    core_c, from_s, to_s
        Core at the window's start, and the window, shape (n,). [°C, s since 1970]
    planned_c
        The air the room should have had. [°C]

    Returns
    -------
    array
        Shape (routes, n): life used in the window and by the core's way back to the profile's planned
        temperature after it, less the same with the planned air, in days at the profile's planned
        temperature. Below zero where the air was colder than planned. [days]

    Notes
    -----
    The way back belongs to the cost: a pallet warmed for an hour stays warm for many more.
    """
    # Packs that stood there alike are worked out once.
    alike, which = np.unique(np.stack([core_c, from_s, to_s], axis=1), axis=0, return_inverse=True)
    core, begin, end = alike.T
    stood = stand(course, profile, from_s=begin, core_c=core, to_s=end)
    hours = (end - begin) / 3600
    same = np.full(core.size, planned_c)
    meant = segment_life(Segments(hours, same, same, core), routes=profile.routes, tau_h=profile.tau_h)
    meant_c = same + (core - same) * np.exp(-hours / profile.tau_h) if profile.tau_h > 0 else same
    used = stood.sums[:, COLUMN_USED:-1:PER_ROUTE].T
    extra = way_back(stood.core_c, profile).extra - way_back(meant_c, profile).extra
    lost: FloatArray = (used - meant + extra) / rates_as_planned(profile)[:, None]
    return np.asarray(lost[:, which.reshape(-1)])


def rates_as_planned(profile: Profile) -> FloatArray:
    """Return each route's rate at the profile's planned temperature. [1/day]"""
    planned = np.array([profile.planned_c])
    return np.array([max(float(route.rates(planned)[0]), LEAST_RATE) for route in profile.routes])


def path_costs(
    before: Sequence[Air],
    window: Sequence[Air],
    planned: Sequence[Air],
    profile: Profile,
    *,
    start_core_c: float | None,
) -> FloatArray:
    """
    Return, route by route, the days of life the air of a window cost a pack that was in several rooms.

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
    array
        Shape (routes,), as in `window_costs`. [days]

    Notes
    -----
    A pack of unknown core that came in with the window is taken to have come in as the planned air is, in
    both courses.
    """
    entering_c = start_core_c
    if before:
        entering_c = float(lived(before, profile, start_core_c=start_core_c).core_c[-1])
    if entering_c is None:
        entering_c = float(planned[0].temp_c[0])
    actual, meant = (
        spent.used[:, -1] + way_back(spent.core_c[-1:], profile).extra[:, 0]
        for spent in (lived(legs, profile, start_core_c=entering_c) for legs in (window, planned))
    )
    return np.asarray((actual - meant) / rates_as_planned(profile))


def on_route(lost_days: FloatArray, limiting: NDArray[np.intp]) -> FloatArray:
    """
    Return what packs lost on the route that ends each, or on the one that cost most where that is −1.

    Never below zero: air colder than planned costs no life.
    """
    worst = lost_days.max(axis=0)
    own = lost_days[np.maximum(limiting, 0), np.arange(lost_days.shape[1])]
    return np.asarray(np.maximum(np.where(limiting < 0, worst, own), 0.0))
