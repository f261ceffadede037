"""What a trip, and the wait before it, will use up of a pack's life."""

from dataclasses import dataclass

import numpy as np

from rimekeep.loading.core.decays import FloatArray
from rimekeep.shelflife.core.costs import rates_as_planned
from rimekeep.shelflife.core.ends import ends
from rimekeep.shelflife.core.hours import COLUMN_USED, PER_ROUTE, sums_of
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.segments import Segments
from rimekeep.shelflife.core.thermal import core_at_knots


@dataclass(frozen=True, slots=True)
class LifeAhead:
    """
    A pack as it leaves the vehicle, if all goes as forecast.

    ``used`` is the share of life used on the trip by route, ``days_used`` that in days at the planned
    temperature on the route where it is most; ``end_days`` and ``cautious_days`` count from the drop, kept as
    planned from then on. [°C, -, days]
    """

    core_c: float
    used: dict[str, float]
    days_used: float
    end_days: float
    cautious_days: float
    limited_by: str


def after_wait_c(core_c: float, air_c: float, hours: float, tau_h: float) -> float:
    """Return the core after a wait in air of one temperature. [°C, h]"""
    return float(core_at_knots(np.array([0.0, hours]), np.full(2, air_c), tau_h=tau_h, start_c=core_c)[-1])


def core_after_c(core_c: float, at_s: FloatArray, air_c: FloatArray, tau_h: float) -> float:
    """Return the core after a way through air that is straight between its knots. [°C, s, h]"""
    return float(core_at_knots(at_s / 3600.0, air_c, tau_h=tau_h, start_c=core_c)[-1])


def life_ahead(
    sums: FloatArray,
    core_c: float,
    profile: Profile,
    *,
    budget: float,
    wait_h: float,
    wait_c: float,
    at_s: FloatArray,
    air_c: FloatArray,
) -> LifeAhead:
    """
    Return what is left of a pack at its drop.

    Parameters
    ----------
    sums, core_c
        What it has lived through so far, as in `shelflife.core.hours`, and its core now. [°C]
    profile, budget
        How it ages, and how many reference lives it has.
    wait_h, wait_c
        How long it waits until departure, and in which air, >= 0. [h, °C]
    at_s, air_c
        Air on the trip from departure to the drop, straight between its knots, shape (n,), n >= 1. [s, °C]
    """
    waited_c = after_wait_c(core_c, wait_c, wait_h, profile.tau_h)
    at_h = at_s / 3600.0
    cores = core_at_knots(at_h, air_c, tau_h=profile.tau_h, start_c=waited_c)
    way = Segments(
        np.concatenate([[wait_h], np.diff(at_h)]),
        np.concatenate([[wait_c], air_c[:-1]]),
        np.concatenate([[wait_c], air_c[1:]]),
        np.concatenate([[core_c], cores[:-1]]),
    )
    added = sums_of(way, np.zeros(at_h.size, dtype=bool), profile)
    total = sums + added.sum(axis=0)
    end = ends(total[None, :], cores[-1:], profile, budget=budget)
    used = added[1:].sum(axis=0)[COLUMN_USED:-1:PER_ROUTE]
    return LifeAhead(
        float(cores[-1]),
        {route.name: float(share) for route, share in zip(profile.routes, used, strict=True)},
        float(np.max(used / rates_as_planned(profile))),
        float(end.days[0]),
        float(end.cautious_days[0]),
        profile.routes[int(end.limiting[0])].name,
    )
