"""What a planned path of storage and transport will cost in life, and when it ends."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from rimekeep.errors import invalid
from rimekeep.shelflife.core.ends import SETTLED_TAU
from rimekeep.shelflife.core.exposure import check_plausible, remaining_days, shares_of
from rimekeep.shelflife.core.routes import AnyRoute
from rimekeep.shelflife.core.segments import Segments, segment_life
from rimekeep.shelflife.core.thermal import check_tau, core_temperature
from rimekeep.wording import say

# Several times what halving the whole range of doubles takes.
MOST_HALVINGS = 10_000
# Of the earliest and latest end, so that rounding does not put the end outside.
SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Leg:
    """So many hours in air of one temperature. [h, °C]"""

    hours: float
    temp_c: float

    def __post_init__(self) -> None:
        """Refuse a leg that cannot be walked."""
        if not (math.isfinite(self.hours) and self.hours >= 0):
            raise invalid(
                "hours",
                say("{hours} is not a length of time.", hours=self.hours),
                say("Give hours, zero or above."),
            )
        check_plausible("temp_c", self.temp_c)


@dataclass(frozen=True, slots=True)
class Projection:
    """Life used by route name, and the core temperature, at the end of a path. [-, °C]"""

    used: dict[str, float]
    core_c: float


def project(
    used: Mapping[str, float],
    legs: Sequence[Leg],
    *,
    routes: Sequence[AnyRoute],
    tau_h: float = 0.0,
    core_c: float | None = None,
) -> Projection:
    """
    Return the life used after a planned path.

    Parameters
    ----------
    used
        Share of life used so far, by route name, ≥ 0.
    legs
        One or more, in order; temperatures −60…80 °C.
    routes
        One or more; each must be in ``used``.
    tau_h
        Time constant of the pack, ≥ 0. [h]
    core_c
        Core now; None: already at the temperature of the first leg. [°C]

    Returns
    -------
    Projection
        At the end of the last leg.

    Raises
    ------
    Invalid
        No legs, or a value out of bounds.

    Examples
    --------
    >>> staling = Route("staling", reference_c=20, reference_life_days=30, activation_kj_mol=101.8)
    >>> project({"staling": 0.1}, [Leg(72, 20)], routes=[staling])
    Projection(used={'staling': 0.2}, core_c=20.0)
    """
    if not legs:
        raise invalid("legs", say("The path has no legs."), say("Give one leg or more."))
    before = shares_of(used, routes)
    check_tau(tau_h)
    core = check_plausible("core_c", legs[0].temp_c if core_c is None else core_c)
    starts = []
    for leg in legs:
        starts.append(core)
        core = float(core_temperature([0, leg.hours], [leg.temp_c] * 2, tau_h=tau_h, start_c=core)[-1])
    air = np.array([leg.temp_c for leg in legs], dtype=np.float64)
    path = Segments(np.array([leg.hours for leg in legs], dtype=np.float64), air, air, np.array(starts))
    added = segment_life(path, routes=routes, tau_h=tau_h).sum(axis=1)
    after = {
        route.name: share + float(life) for route, share, life in zip(routes, before, added, strict=True)
    }
    return Projection(after, core)


def days_to_end(
    used: Mapping[str, float],
    routes: Sequence[AnyRoute],
    *,
    planned_c: float,
    tau_h: float = 0.0,
    core_c: float | None = None,
) -> tuple[float, str]:
    """
    Return how long the beer keeps in air of a constant temperature, and which route ends it.

    As `exposure.remaining_days`, but with the core still on its way to the planned temperature: beer that
    came in warm ends sooner than the steady rate says.

    Parameters
    ----------
    used
        Share of life used so far, by route name, ≥ 0.
    routes
        One or more; each must be in ``used``.
    planned_c
        Air from now on, −60…80. [°C]
    tau_h
        Time constant of the pack, ≥ 0. [h]
    core_c
        Core now, −60…80; None: already at the planned temperature. [°C]

    Returns
    -------
    tuple
        Days (0 when a route is spent, infinite when none ever is) and the limiting route's name. [days]

    Raises
    ------
    Invalid
        A value out of bounds.

    Examples
    --------
    >>> staling = Route("staling", reference_c=20, reference_life_days=30, activation_kj_mol=101.8)
    >>> days, route = days_to_end({"staling": 0.5}, [staling], planned_c=4, tau_h=12, core_c=20)
    >>> 160 < days < remaining_days({"staling": 0.5}, [staling], 4)[0]
    True
    """
    check_tau(tau_h)
    if core_c is not None:
        check_plausible("core_c", core_c)
    steady, limiting = remaining_days(used, routes, planned_c)
    if steady == 0 or tau_h == 0 or core_c is None or core_c == planned_c:
        return steady, limiting
    ends = [
        _hours_to_one(share, route, planned_c=planned_c, tau_h=tau_h, core_c=core_c)
        for share, route in zip(shares_of(used, routes), routes, strict=True)
    ]
    first = min(ends)
    return first / 24, routes[ends.index(first)].name


def _hours_to_one(share: float, route: AnyRoute, *, planned_c: float, tau_h: float, core_c: float) -> float:
    def left(hours: float) -> float:
        leg = Segments(*(np.array([float(value)]) for value in (hours, planned_c, planned_c, core_c)))
        return 1 - share - float(segment_life(leg, routes=[route], tau_h=tau_h)[0, 0])

    core_rate, planned_rate = (route.rate_per_day(temp_c) for temp_c in (core_c, planned_c))
    if core_rate == planned_rate == 0:
        return math.inf
    # The core moves one way only, so the rate lies between the one now and the one at the planned
    # temperature; and when the core has settled, it is the latter.
    soonest = 24 * (1 - share) / max(core_rate, planned_rate) * (1 - SLACK)
    latest = SETTLED_TAU * tau_h
    if planned_rate > 0:
        latest += 24 * (1 - share) / planned_rate
    latest *= 1 + SLACK
    if left(soonest) <= 0:
        return soonest
    if left(latest) > 0:
        # What grew while the beer was warm did not end it, and nothing grows any more.
        return math.inf
    # A steep law over a wide range puts the two a hundred powers of ten apart; a step halves that at worst.
    return float(brentq(left, soonest, latest, xtol=1e-9, rtol=1e-14, maxiter=MOST_HALVINGS))
