"""How much of its life beer has used up in the air it stood in."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from rimekeep.climate.core.readings import PLAUSIBLE_C, in_time_order
from rimekeep.errors import invalid
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.routes import AnyRoute, Route
from rimekeep.shelflife.core.segments import Segments, segment_life
from rimekeep.shelflife.core.thermal import check_tau, core_at_knots
from rimekeep.wording import say

__all__ = ["LifeCurve", "Route", "Rule", "cumulative_life", "life_used", "remaining_days"]

Rule = Literal["linear", "hold"]


@dataclass(frozen=True, slots=True)
class LifeCurve:
    """Life used so far at each reading: all arrays of shape (n,), one per route."""

    times_h: FloatArray
    core_c: FloatArray
    used: dict[str, FloatArray]


def life_used(
    times_h: ArrayLike,
    air_c: ArrayLike,
    *,
    routes: Sequence[AnyRoute],
    tau_h: float = 0.0,
    start_c: float | None = None,
    rule: Rule = "linear",
) -> dict[str, float]:
    """
    Return the share of life each route of ageing has lost over an air history.

    ``F = ∫ r(T_core) dt`` with Arrhenius' rate r and a core that lags the air by ``tau_h``.

    Parameters
    ----------
    times_h
        Times of the readings in any order, shape (n,). [h]
    air_c
        Air temperatures, −60…80, same shape. An identical repeat of a reading counts once. Two different
        values at one time keep the order given: under ``"linear"`` they are a step, under ``"hold"`` the
        later given is the one that stands. [°C]
    routes
        One or more, with different names.
    tau_h
        Time constant of the pack, ≥ 0; 0: the core is the air. [h]
    start_c
        Core at the first reading; None: the first air value. [°C]
    rule
        ``"linear"``: the air runs straight from reading to reading. ``"hold"``: a reading stands until the
        next, and the last one adds nothing.

    Returns
    -------
    dict
        Route name to share of life used; 0 for fewer than two readings; above 1 once life is spent. The
        integral is good to a relative 1e-10. [-]

    Raises
    ------
    Invalid
        A value is not finite or not plausible, shapes differ, or the routes are missing or share a name.

    References
    ----------
    Zero-order Arrhenius ageing as in Kvasný průmysl 24(2) 30-32 (1978), DOI 10.18832/kp1978005.

    Examples
    --------
    >>> staling = Route("staling", reference_c=20, reference_life_days=30, activation_kj_mol=101.8)
    >>> used = life_used([0, 72, 72, 240], [20, 20, 4, 4], routes=[staling])
    >>> round(used["staling"], 6)
    0.120932
    """
    segments, _ = _history(times_h, air_c, tau_h=tau_h, start_c=start_c, rule=rule)
    _check_routes(routes)
    totals = segment_life(segments, routes=routes, tau_h=tau_h).sum(axis=1)
    return {route.name: float(total) for route, total in zip(routes, totals, strict=True)}


def cumulative_life(
    times_h: ArrayLike,
    air_c: ArrayLike,
    *,
    routes: Sequence[AnyRoute],
    tau_h: float = 0.0,
    start_c: float | None = None,
    rule: Rule = "linear",
) -> LifeCurve:
    """
    Return the share of life used at each reading, the first at zero; parameters as in `life_used`.

    Examples
    --------
    >>> staling = Route("staling", reference_c=20, reference_life_days=30, activation_kj_mol=101.8)
    >>> curve = cumulative_life([240, 0, 72], [20, 20, 20], routes=[staling])
    >>> curve.used["staling"].round(6).tolist()
    [0.0, 0.1, 0.333333]
    """
    segments, knots = _history(times_h, air_c, tau_h=tau_h, start_c=start_c, rule=rule)
    _check_routes(routes)
    # Under "hold" each reading became two knots; the curve is shown at the readings.
    shown = slice(None, None, 2 if rule == "hold" else 1)
    parts = segment_life(segments, routes=routes, tau_h=tau_h)
    sums = np.cumsum(parts, axis=1)
    used = {
        route.name: np.concatenate([np.zeros(min(1, knots.times_h.size)), total])[shown]
        for route, total in zip(routes, sums, strict=True)
    }
    return LifeCurve(knots.times_h[shown], knots.core_c[shown], used)


def remaining_days(
    used: Mapping[str, float], routes: Sequence[AnyRoute], planned_c: float
) -> tuple[float, str]:
    """
    Return how long the beer keeps at a constant temperature from now on, and which route ends it.

    Parameters
    ----------
    used
        Share of life used so far, by route name, ≥ 0.
    routes
        One or more; each must be in ``used``.
    planned_c
        Core temperature from now on, −60…80. [°C]

    Returns
    -------
    tuple
        Days (0 when a route is spent, infinite when none runs there), and the limiting route: the most spent
        one when any is spent, the
        first given of equals. [days]

    Raises
    ------
    Invalid
        A route is not in ``used``, or a value is out of bounds.

    Examples
    --------
    >>> staling = Route("staling", reference_c=20, reference_life_days=30, activation_kj_mol=101.8)
    >>> haze = Route("haze", reference_c=20, reference_life_days=60, activation_kj_mol=50)
    >>> remaining_days({"staling": 0.5, "haze": 0.1}, [staling, haze], 20)
    (15.0, 'staling')
    """
    _check_routes(routes)
    check_plausible("planned_c", planned_c)
    shares = shares_of(used, routes)
    worst = max(shares)
    if worst >= 1:
        return 0.0, routes[shares.index(worst)].name
    rates = [route.rate_per_day(planned_c) for route in routes]
    days = [(1 - share) / rate if rate > 0 else math.inf for share, rate in zip(shares, rates, strict=True)]
    least = min(days)
    return least, routes[days.index(least)].name


def shares_of(used: Mapping[str, float], routes: Sequence[AnyRoute]) -> list[float]:
    """Return the share used of each route, in the order of the routes; refuse a missing or impossible one."""
    for route in routes:
        if not (route.name in used and math.isfinite(used[route.name]) and used[route.name] >= 0):
            raise invalid(
                f"used[{route.name!r}]",
                say("There is no share of life used for this route, or it is not a number from zero."),
                say("Give a share for every route, 0 for fresh beer."),
            )
    return [float(used[route.name]) for route in routes]


@dataclass(frozen=True, slots=True)
class _Knots:
    times_h: FloatArray
    core_c: FloatArray


def _history(
    times_h: ArrayLike, air_c: ArrayLike, *, tau_h: float, start_c: float | None, rule: Rule
) -> tuple[Segments, _Knots]:
    check_tau(tau_h)
    if start_c is not None:
        check_plausible("start_c", start_c)
    times, air = in_time_order(times_h, air_c)
    if rule == "hold":
        times, air = np.repeat(times, 2)[1:], np.repeat(air, 2)[:-1]
    elif rule != "linear":
        raise invalid("rule", say("{rule!r} is not known.", rule=rule), say("Give linear or hold."))
    core = air
    if air.size:
        core = core_at_knots(times, air, tau_h=tau_h, start_c=float(air[0] if start_c is None else start_c))
    return Segments(np.diff(times), air[:-1], air[1:], core[:-1]), _Knots(times, core)


def _check_routes(routes: Sequence[AnyRoute]) -> None:
    names = [route.name for route in routes]
    if not names or len(set(names)) < len(names):
        raise invalid(
            "routes", say("There is no route of ageing, or two share a name."), say("Give each its own name.")
        )


def check_plausible(field: str, temp_c: float) -> float:
    """Return a temperature from −60 to 80 °C as a float; refuse any other."""
    low_c, high_c = PLAUSIBLE_C
    if not low_c <= temp_c <= high_c:
        raise invalid(
            field,
            say(
                "{temp_c} °C is outside {low_c:g} to {high_c:g} °C.",
                temp_c=temp_c,
                low_c=low_c,
                high_c=high_c,
            ),
            say("Check the unit."),
        )
    return float(temp_c)
