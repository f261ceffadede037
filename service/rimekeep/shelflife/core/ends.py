"""When packs come to the end of their life, and how sure that is."""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rimekeep.errors import invalid
from rimekeep.shelflife.core.hours import COLUMN_GAP, COLUMN_PARAMETER, COLUMN_USED, PER_ROUTE
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.routes import AnyRoute
from rimekeep.shelflife.core.segments import BY_PARAMETER, USED, Segments, segment_life, segment_sums
from rimekeep.wording import say

# After so many time constants a core is where the air is, to the last digit: exp(−40) < 1e-17.
SETTLED_TAU = 40.0
# A century: beyond it a date says nothing, and calendars end.
LONGEST_DAYS = 36_500.0
# Standard deviation of the air in a stretch nobody measured (own convention, no source).
GAP_ERROR_C = 3.0
CAUTIOUS_SHARE = 0.1
# Below this rate a route ends nothing within a century. [1/day]
LEAST_RATE = 0.1 / LONGEST_DAYS
# Newton's steps on the few packs that end before their core has settled; each doubles the right digits.
MOST_STEPS = 60
NEAR_ENOUGH_DAYS = 1e-9
# A standard deviation of a parameter wider than this share of it makes every date a guess.
WIDE_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Ends:
    """
    When n packs end, kept as planned from now on: arrays of shape (n,).

    ``days`` from now (at most a century; below zero for what is spent, at the steady rate), the index of the
    ``limiting`` route, and ``cautious_days``, at or before ``days``. Neither lies more than a century back.
    [days]
    """

    days: FloatArray
    limiting: NDArray[np.intp]
    cautious_days: FloatArray


@dataclass(frozen=True, slots=True)
class Way:
    """
    What the core's way to the planned temperature adds to the steady rate, for n cores.

    ``extra`` and ``by_parameter`` have shape (routes, n).
    """

    extra: FloatArray
    by_parameter: FloatArray


def way_back(core_c: FloatArray, profile: Profile) -> Way:
    """Return what cores still on their way cost above the steady rate; equal cores are worked out once."""
    shape = (len(profile.routes), core_c.size)
    if profile.tau_h == 0 or not core_c.size:
        return Way(np.zeros(shape), np.zeros(shape))
    cores, which = np.unique(core_c, return_inverse=True)
    hours = SETTLED_TAU * profile.tau_h
    same = np.full(cores.size, profile.planned_c)
    way = Segments(np.full(cores.size, hours), same, same, cores)
    sums = segment_sums(way, routes=profile.routes, tau_h=profile.tau_h)
    steady = np.array([_steady(route, profile.planned_c) for route in profile.routes]) * hours / 24
    return Way((sums[:, USED] - steady[:, :1])[:, which], (sums[:, BY_PARAMETER] - steady[:, 1:])[:, which])


def _steady(route: AnyRoute, planned_c: float) -> tuple[float, float]:
    planned = np.array([planned_c])
    rate = route.rates(planned)
    return float(rate[0]), float(route.slopes(planned, rate)[0][0])


def ends(
    sums: FloatArray,
    core_c: FloatArray,
    profile: Profile,
    *,
    budget: FloatArray | float = 1.0,
    cautious_share: float = CAUTIOUS_SHARE,
) -> Ends:
    """
    Return when packs end if they are kept at the planned temperature from now on.

    Parameters
    ----------
    sums
        What each lived through, shape (n, columns) as in `hours`.
    core_c
        Core now, shape (n,). [°C]
    profile
        How they age.
    budget
        How many reference lives each has, scalar or shape (n,), see `Profile.budget`. [-]
    cautious_share
        Share of packs that may end before the cautious date, above 0 and up to one half.

    Returns
    -------
    Ends
        The cautious date is each route's quantile, first order in the standard deviations of its life, of its
        parameter of temperature and of the air nobody measured, and the earliest of the routes' dates. What
        has no standard deviation counts as exact; see `remarks`.
    """
    if not 0 < cautious_share <= 0.5:
        raise invalid(
            "cautious_share",
            say("{cautious_share} is not above 0 to 0.5.", cautious_share=cautious_share),
            say("Give 0.1 for one in ten."),
        )
    count = core_c.size
    if not count:
        return Ends(np.empty(0), np.empty(0, dtype=np.intp), np.empty(0))
    lives = np.broadcast_to(np.asarray(budget, dtype=np.float64), (count,))
    way = way_back(core_c, profile)
    quantile = -NormalDist().inv_cdf(cautious_share)
    median = np.empty((len(profile.routes), count))
    cautious = np.empty_like(median)
    for place, route in enumerate(profile.routes):
        rate, by_parameter = _steady(route, profile.planned_c)
        own = sums[:, PER_ROUTE * place : PER_ROUTE * (place + 1)]
        left = lives - own[:, COLUMN_USED]
        # What is spent is over, whatever its core would still have saved on its way.
        steady_days = np.where(left > 0, left - way.extra[place], left) / max(rate, LEAST_RATE)
        days = _before_settled(left, steady_days, core_c, route, profile)
        median[place] = days
        ahead = np.clip(days, 0.0, LONGEST_DAYS)
        slope = own[:, COLUMN_PARAMETER] + by_parameter * ahead + way.by_parameter[place]
        sd_days = _sd_of_used(route, slope, own[:, COLUMN_GAP], lives) / max(rate, LEAST_RATE)
        cautious[place] = days - quantile * sd_days
    limiting = np.argmin(median, axis=0)
    return Ends(
        np.clip(median[limiting, np.arange(count)], -LONGEST_DAYS, LONGEST_DAYS),
        limiting,
        np.clip(cautious.min(axis=0), -LONGEST_DAYS, LONGEST_DAYS),
    )


def _sd_of_used(
    route: AnyRoute, by_parameter: FloatArray, by_gap: FloatArray, lives: FloatArray
) -> FloatArray:
    """Return the standard deviation of the life used at the end, from that of the route and of the gaps."""
    of_life = -lives / route.reference_life_days * (route.life_sd_days or 0.0)
    of_parameter = by_parameter * (route.parameter_sd or 0.0)
    variance = of_life**2 + of_parameter**2 + 2 * route.correlation * of_life * of_parameter
    return np.asarray(np.sqrt(np.maximum(variance, 0.0) + (by_gap * GAP_ERROR_C) ** 2))


def _before_settled(
    left: FloatArray, steady_days: FloatArray, core_c: FloatArray, route: AnyRoute, profile: Profile
) -> FloatArray:
    """Return the days to the end; for those that end before their core has settled, by Newton's method."""
    days = steady_days.copy()
    settled_days = SETTLED_TAU * profile.tau_h / 24
    on_way = np.flatnonzero((days < settled_days) & (left > 0) & (np.abs(core_c - profile.planned_c) > 1e-6))
    if not on_way.size or profile.tau_h == 0:
        return days
    core, rest = core_c[on_way], left[on_way]
    planned = np.full(core.size, profile.planned_c)
    # The core moves one way only: the end lies between those of two steady rates.
    now, later = route.rates(core), route.rates(planned)
    fast = np.maximum(np.maximum(now, later), LEAST_RATE)
    slow = np.maximum(np.minimum(now, later), LEAST_RATE)
    low, high = rest / fast, np.minimum(rest / slow, LONGEST_DAYS)
    guess = np.clip(days[on_way], low, high)
    for _ in range(MOST_STEPS):
        way = Segments(guess * 24, planned, planned, core)
        over = segment_life(way, routes=[route], tau_h=profile.tau_h)[0] - rest
        low, high = np.where(over < 0, guess, low), np.where(over < 0, high, guess)
        then_c = planned + (core - planned) * np.exp(-guess * 24 / profile.tau_h)
        step = guess - over / np.maximum(route.rates(then_c), LEAST_RATE)
        better = np.where((step > low) & (step < high), step, (low + high) / 2)
        moved = np.abs(better - guess)
        guess = better
        if bool(np.all(moved < NEAR_ENOUGH_DAYS)):
            break
    days[on_way] = guess
    return days


def remarks(profile: Profile) -> list[str]:
    """Say, route by route, where the calibration is too thin for its dates to be trusted."""
    found = []
    for route in profile.routes:
        if route.life_sd_days is None or route.parameter_sd is None:
            found.append(
                f"{route.name}: no standard deviations are given, so its cautious date knows of gaps only"
            )
            continue
        parameter = abs(float(getattr(route, route.parameter_field)))
        if route.life_sd_days > WIDE_SHARE * route.reference_life_days:
            found.append(
                f"{route.name}: the life at {route.reference_c:g} °C is known to no better than "
                f"± {route.life_sd_days / route.reference_life_days:.0%}"
            )
        if route.form != "square root" and route.parameter_sd > WIDE_SHARE * parameter:
            found.append(
                f"{route.name}: its answer to temperature is known to no better than "
                f"± {route.parameter_sd / parameter:.0%}"
            )
    return found
