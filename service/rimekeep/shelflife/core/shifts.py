"""How far the dates of packs that stand alike move together, so that most of them need not be looked at."""

from statistics import NormalDist

import numpy as np

from rimekeep.shelflife.core.costs import rates_as_planned
from rimekeep.shelflife.core.ends import CAUTIOUS_SHARE, GAP_ERROR_C, way_back
from rimekeep.shelflife.core.follow import Reckoned
from rimekeep.shelflife.core.hours import COLUMN_GAP, COLUMN_USED, HOUR_S, PER_ROUTE, IntArray
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.packs import Room, Stood, stand
from rimekeep.shelflife.core.profile import Profile

DAY_S = 86_400.0
WIDE = NormalDist().inv_cdf(1 - CAUTIOUS_SHARE) * GAP_ERROR_C
# Whole degrees a core on its way may have; beyond them the nearest stands in. [°C]
COLDEST_C, WARMEST_C = -40, 80


def shifts(now_s: float, sums: FloatArray, core_c: FloatArray, profile: Profile) -> FloatArray:
    """
    Return how much of their ends packs have in common that lived through the same since some instant.

    Parameters
    ----------
    now_s
        The instant. [s since 1970]
    sums, core_c
        What was lived through since, shape (n, columns), and the core now, shape (n,). [°C]
    profile
        How they age.

    Returns
    -------
    array
        Shape (n, 2 × routes): a pack's end on a route is the shift plus a part of its own that does not
        change while it stands there; the second half is what gaps take off the cautious date. [days]
    """
    rates = rates_as_planned(profile)
    way = way_back(core_c, profile).extra.T
    used, gaps = sums[:, COLUMN_USED:-1:PER_ROUTE], sums[:, COLUMN_GAP:-1:PER_ROUTE]
    return np.concatenate([now_s / DAY_S - (used + way) / rates, -WIDE * gaps / rates], axis=1)


def lived_by_cores(
    room: Room, profile: Profile, *, hours: IntArray, cores_c: FloatArray, now_s: float
) -> Stood:
    """
    Return what packs lived through that had a given core at the start of a given hour.

    Parameters
    ----------
    hours, cores_c
        Shape (n,); the room's course reaches back to each. [h since 1970, °C]

    Notes
    -----
    The shifts of whole degrees tell those of all cores between them: a shift bends by less than two minutes
    within a degree and six hours. (The rate of a route with E/R = 12,000 K bends by 1 % of itself over a
    degree, and the way back takes most of that off again.)
    """
    from_s = hours.astype(np.float64) * HOUR_S
    return stand(room.course, profile, from_s=from_s, core_c=cores_c, to_s=np.maximum(from_s, now_s))


def cores_at_hour(packs: Reckoned, room: Room, profile: Profile) -> FloatArray:
    """Return the core each would have had at the start of the hour it was reckoned to, shape (n,). [°C]"""
    core_c = packs.held[:, -1]
    if profile.tau_h == 0:
        return core_c
    hour_s = np.floor(packs.at_s / HOUR_S) * HOUR_S
    ahead = core_c - room.course.core_at(packs.at_s)
    grown = ahead * np.exp(np.minimum((packs.at_s - hour_s) / (HOUR_S * profile.tau_h), 50.0))
    return np.asarray(room.course.core_at(hour_s) + grown)
