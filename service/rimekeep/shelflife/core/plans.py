"""What plans made for a pack will cost it: a way through rooms and trucks, or a wait on the dock."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from rimekeep.errors import invalid
from rimekeep.shelflife.core.costs import rates_as_planned
from rimekeep.shelflife.core.ends import Ends, ends, way_back
from rimekeep.shelflife.core.exposure import check_plausible
from rimekeep.shelflife.core.hours import COLUMN_USED, PER_ROUTE, sums_of
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.projection import Leg
from rimekeep.shelflife.core.segments import Segments
from rimekeep.shelflife.core.thermal import core_temperature, time_to_reach
from rimekeep.wording import say

# Nobody plans a wait of more than four weeks; beyond it the answer is "longer than that".
LONGEST_WAIT_H = 672.0


@dataclass(frozen=True, slots=True)
class Planned:
    """A pack after a planned way: sums (columns,) as in `hours`, its core, and when it would end. [°C]"""

    sums: FloatArray
    core_c: float
    ends: Ends

    def used(self, profile: Profile) -> dict[str, float]:
        """Return the share of life used by route."""
        shares = self.sums[COLUMN_USED:-1:PER_ROUTE].tolist()
        return {route.name: share for route, share in zip(profile.routes, shares, strict=True)}


def after(
    sums: FloatArray, core_c: float, legs: Sequence[Leg], profile: Profile, *, budget: float = 1.0
) -> Planned:
    """
    Return a pack after a planned way, to be kept as its profile plans from then on.

    Parameters
    ----------
    sums
        What it has lived through so far, shape (columns,) as in `hours`.
    core_c
        Its core now. [°C]
    legs
        One or more, in order.
    profile
        How it ages.
    budget
        How many reference lives it has. [-]

    Returns
    -------
    Planned
        ``ends`` counts days from the end of the way.

    Raises
    ------
    Invalid
        No legs, or a core that is not plausible.
    """
    if not legs:
        raise invalid("legs", say("The way has no legs."), say("Give one leg or more."))
    core = check_plausible("core_c", core_c)
    starts = []
    for leg in legs:
        starts.append(core)
        core = float(
            core_temperature([0, leg.hours], [leg.temp_c] * 2, tau_h=profile.tau_h, start_c=core)[-1]
        )
    air = np.array([leg.temp_c for leg in legs], dtype=np.float64)
    way = Segments(np.array([leg.hours for leg in legs], dtype=np.float64), air, air, np.array(starts))
    total = sums + sums_of(way, np.zeros(len(legs), dtype=bool), profile).sum(axis=0)
    return Planned(total, core, ends(total[None, :], np.array([core]), profile, budget=budget))


def wait_cost_days(hours: float, core_c: float, air_c: float, profile: Profile) -> float:
    """
    Return the days of life a wait costs above the same time kept as planned, the way back included.

    On the route that it costs most. Below zero in air colder than planned. [days]
    """
    end_c = float(core_temperature([0, hours], [air_c] * 2, tau_h=profile.tau_h, start_c=core_c)[-1])
    stretch = Segments(*(np.array([value]) for value in (hours, air_c, air_c, core_c)))
    used = sums_of(stretch, np.zeros(1, dtype=bool), profile)[0, COLUMN_USED:-1:PER_ROUTE]
    extra = way_back(np.array([end_c, core_c]), profile).extra
    rates = rates_as_planned(profile)
    cost = (used + extra[:, 0] - extra[:, 1]) / rates - hours / 24
    return float(cost.max())


@dataclass(frozen=True, slots=True)
class Wait:
    """
    How long a pack may wait in air of one temperature. [h]

    ``core_h`` until its core reaches the limit, ``life_h`` until the wait has cost the days of life allowed;
    None: not within four weeks, or not asked.
    """

    core_h: float | None
    life_h: float | None

    @property
    def hours(self) -> float | None:
        """Return the shorter of the two."""
        given = [hours for hours in (self.core_h, self.life_h) if hours is not None]
        return min(given, default=None)


def may_wait(
    core_c: float,
    air_c: float,
    profile: Profile,
    *,
    core_limit_c: float | None = None,
    life_days: float | None = None,
) -> Wait:
    """
    Return how long a pack may wait, as on the dock, before its core or its life passes a limit.

    Parameters
    ----------
    core_c, air_c
        Core now, and the air it would wait in, −60…80. [°C]
    profile
        How it ages.
    core_limit_c
        The core may come up (or down) to this; None: not asked. [°C]
    life_days
        The wait may cost so many days of life; None: not asked. [days]

    Examples
    --------
    >>> from rimekeep.shelflife.core.routes import Route
    >>> profile = Profile(1, 1, (Route("staling", 20, 120, 101.8),), 10.0, 4.0, -2.0, 60)
    >>> round(may_wait(4.0, 20.0, profile, core_limit_c=8.0).core_h, 3)
    2.877
    """
    check_plausible("core_c", core_c)
    check_plausible("air_c", air_c)
    core_h = life_h = None
    if core_limit_c is not None:
        core_h = _until_core(core_c, air_c, check_plausible("core_limit_c", core_limit_c), profile)
    if life_days is not None:
        if not (math.isfinite(life_days) and life_days > 0):
            raise invalid(
                "life_days",
                say("{life_days} is not above zero.", life_days=life_days),
                say("Give days of life above zero."),
            )
        life_h = _until_spent(core_c, air_c, life_days, profile)
    return Wait(core_h, life_h)


def _until_core(core_c: float, air_c: float, limit_c: float, profile: Profile) -> float | None:
    if air_c == core_c:
        return 0.0 if core_c == limit_c else None
    is_warming = air_c > core_c
    nearest_c = air_c if profile.tau_h == 0 else core_c
    if nearest_c >= limit_c if is_warming else nearest_c <= limit_c:
        return 0.0
    hours = time_to_reach(core_c, limit_c, ambient_c=air_c, tau_h=profile.tau_h)
    return hours if hours <= LONGEST_WAIT_H else None


def _until_spent(core_c: float, air_c: float, life_days: float, profile: Profile) -> float | None:
    def over(hours: float) -> float:
        return wait_cost_days(hours, core_c, air_c, profile) - life_days

    if over(LONGEST_WAIT_H) < 0:
        return None
    return float(brentq(over, 0.0, LONGEST_WAIT_H, xtol=1e-6))
