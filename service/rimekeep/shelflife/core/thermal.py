"""How the core of a pack follows the air around it, and where beer freezes."""

import math
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from rimekeep.errors import Invalid, invalid
from rimekeep.wording import say

FloatArray = NDArray[np.float64]

# Lag left over once exp(−h/τ) products fall below this is far under the last digit of a temperature.
NEGLIGIBLE_DECAY = 1e-25
# Segment lengths in units of τ are cut here: exp(−x) is long zero, and x itself must stay finite.
MAX_LENGTH_TAU = 1e16


def check_tau(tau_h: float) -> None:
    """Refuse a time constant that is not finite and zero or above."""
    if not (math.isfinite(tau_h) and tau_h >= 0):
        raise invalid(
            "tau_h",
            say("{tau_h} is not a time constant.", tau_h=tau_h),
            say("Give hours, zero (no lag) or above."),
        )


def lengths_in_tau(length_h: FloatArray, tau_h: float) -> FloatArray:
    """Return segment lengths in units of τ > 0, finite even for a vanishing τ."""
    with np.errstate(over="ignore"):
        return np.minimum(length_h / tau_h, MAX_LENGTH_TAU)


def mean_decay(x: FloatArray) -> FloatArray:
    """Return (1 − exp(−x))/x, the mean of exp(−s) over 0…x; one at zero. x ≥ 0."""
    safe = np.where(x > 0, x, 1.0)
    return np.where(x > 0, -np.expm1(-safe) / safe, 1.0)


def core_at_knots(times_h: FloatArray, air_c: FloatArray, *, tau_h: float, start_c: float) -> FloatArray:
    """
    Return the core temperature at every knot of a piecewise-linear air history.

    Works on the core's distance from the air, ``d``: over a segment of length h in which the air moves by Δ,
    ``d_end = exp(−h/τ)·d_start − Δ·(1 − exp(−h/τ))·τ/h``. The chain of segments is closed by doubling (each
    pass joins neighbouring stretches twice as long), so there is no loop over knots, and only decaying
    factors are multiplied: nothing can overflow and rounding errors fade as the lag itself does.

    Parameters
    ----------
    times_h, air_c
        Knots, ascending, shape (n,), n ≥ 1; two knots at one time are a step. [h], [°C]
    tau_h
        Time constant, ≥ 0; 0 means that the core is the air. [h]
    start_c
        Core at the first knot; without effect when ``tau_h`` is 0. [°C]

    Returns
    -------
    array
        Shape (n,). Continuous across steps unless ``tau_h`` is 0. [°C]
    """
    if tau_h == 0 or times_h.size == 1:
        return air_c.copy() if tau_h == 0 else np.full(1, start_c)
    x = lengths_in_tau(np.diff(times_h), tau_h)
    decay = np.exp(-x)
    distance = -np.diff(air_c) * mean_decay(x)
    distance[0] += decay[0] * (start_c - air_c[0])
    stride = 1
    while stride < distance.size:
        distance[stride:] += decay[stride:] * distance[:-stride]
        decay[stride:] *= decay[:-stride]
        stride *= 2
        if stride < decay.size and decay[stride:].max() < NEGLIGIBLE_DECAY:
            break
    core = air_c.copy()
    core[0] = start_c
    core[1:] += distance
    return core


@overload
def core_temperature(
    times_h: ArrayLike, air_c: ArrayLike, *, tau_h: float, start_c: float | None = None, at_h: float
) -> float: ...
@overload
def core_temperature(
    times_h: ArrayLike,
    air_c: ArrayLike,
    *,
    tau_h: float,
    start_c: float | None = None,
    at_h: ArrayLike | None = None,
) -> FloatArray: ...
def core_temperature(
    times_h: ArrayLike,
    air_c: ArrayLike,
    *,
    tau_h: float,
    start_c: float | None = None,
    at_h: ArrayLike | None = None,
) -> float | FloatArray:
    """
    Return the temperature of a pack's core, which follows the air as ``dT/dt = (T_air − T)/τ``.

    Exact in closed form for air that is linear between knots; no time stepping.

    Parameters
    ----------
    times_h
        Knots, ascending, shape (n,), n ≥ 1. Two knots at one time are a step. [h]
    air_c
        Air at the knots, same shape; after the last knot its value holds. [°C]
    tau_h
        Time constant of the pack, ≥ 0; 0 means no lag. [h]
    start_c
        Core at the first knot; None: the first air value. [°C]
    at_h
        When to report, not before the first knot, scalar or any shape; None: at the knots. At a step the core
        is continuous; without lag it has the value after the step. [h]

    Returns
    -------
    float or array
        Shape of ``at_h``, or of ``times_h`` when that is None. [°C]

    Raises
    ------
    Invalid
        Knots that do not pair up, do not ascend or are not finite; a time before the first knot; τ below
        zero.

    References
    ----------
    Y. A. Çengel, *Introduction to Thermodynamics and Heat Transfer*, ch. 11, lumped system analysis.

    Examples
    --------
    >>> round(core_temperature([0, 100], [2, 2], tau_h=19.67, start_c=10, at_h=5.0), 6)
    8.204329
    """
    times, air = _knots(times_h, air_c)
    check_tau(tau_h)
    first = float(air[0]) if start_c is None else float(start_c)
    if not math.isfinite(first):
        raise invalid("start_c", say("{start_c} is not a temperature.", start_c=start_c), say("Give °C."))
    core = core_at_knots(times, air, tau_h=float(tau_h), start_c=first)
    if at_h is None:
        return core
    at = np.asarray(at_h, dtype=np.float64)
    if not bool(np.all(np.isfinite(at) & (at >= times[0]))):
        raise invalid(
            "at_h",
            say("A time is before the first knot or not finite."),
            say("Ask for times of the history."),
        )
    values = core_between_knots(times, air, core, at, float(tau_h))
    return float(values) if at.ndim == 0 else values


def core_between_knots(
    times: FloatArray, air: FloatArray, core: FloatArray, at: FloatArray, tau_h: float
) -> FloatArray:
    """Return the core at any instants not before the first knot, from the core at the knots. [h, °C]"""
    start = np.searchsorted(times, at, side="right") - 1
    end = np.minimum(start + 1, times.size - 1)
    span = times[end] - times[start]
    since = at - times[start]
    share = np.where(span > 0, since / np.where(span > 0, span, 1.0), 0.0)
    rise = share * (air[end] - air[start])
    if tau_h == 0:
        return np.asarray(air[start] + rise)
    x = lengths_in_tau(np.asarray(since), tau_h)
    distance = np.exp(-x) * (core[start] - air[start]) - rise * mean_decay(x)
    return np.asarray(air[start] + rise + distance)


def _knots(times_h: ArrayLike, air_c: ArrayLike) -> tuple[FloatArray, FloatArray]:
    times = np.asarray(times_h, dtype=np.float64)
    air = np.asarray(air_c, dtype=np.float64)
    if times.ndim != 1 or times.shape != air.shape or times.size == 0:
        raise invalid(
            "air_c", say("Times and air temperatures do not pair up."), say("Give one or more of each.")
        )
    if not bool(np.all(np.isfinite(times)) and np.all(np.isfinite(air))):
        raise invalid("air_c", say("A time or temperature is not finite."), say("Leave such readings out."))
    if bool(np.any(np.diff(times) < 0)):
        raise invalid("times_h", say("The times do not ascend."), say("Sort the readings by time first."))
    return times, air


def freezing_point_c(original_extract_p: float, alcohol_mass_pct: float) -> float:
    """
    Return where beer starts to freeze, ``−(0.04·OE + 0.42·A + 0.2)``: a warning limit, not a property.

    Published forms of this rule differ by more than 1 °C; this is the one that stays below the freezing point
    of the same alcohol in plain water, as it must.

    Caution: bottles and kegs that froze may burst, also later while they thaw. Keep people away and follow
    the local safety rules.

    Parameters
    ----------
    original_extract_p
        Original extract, 0…40. [°P]
    alcohol_mass_pct
        Alcohol by mass (not by volume), 0…20. [%]

    Returns
    -------
    float
        Freezing point. [°C]

    Raises
    ------
    Invalid
        A value is outside its range.

    References
    ----------
    Trade formula, as given with two examples by maltingandbrewing.com, "Freezing Point of Beer"; no primary
    reference known.

    Examples
    --------
    >>> round(freezing_point_c(12, 4), 2)
    -2.36
    """
    if not 0 <= original_extract_p <= 40:
        raise invalid(
            "original_extract_p",
            say("{original_extract_p} is not 0 to 40 °P.", original_extract_p=original_extract_p),
            say("Give degrees Plato."),
        )
    if not 0 <= alcohol_mass_pct <= 20:
        raise invalid(
            "alcohol_mass_pct",
            say("{alcohol_mass_pct} is not 0 to 20 %.", alcohol_mass_pct=alcohol_mass_pct),
            say("Give percent by mass."),
        )
    return -(0.04 * original_extract_p + 0.42 * alcohol_mass_pct + 0.2)


def time_to_reach(start_c: float, target_c: float, *, ambient_c: float, tau_h: float) -> float:
    """Return the hours until a core at ``start_c`` is at ``target_c`` in constant air; inf if never."""
    check_tau(tau_h)
    if start_c == target_c:
        return 0.0
    before, after = start_c - ambient_c, target_c - ambient_c
    if tau_h == 0:
        return 0.0 if after == 0 else math.inf
    if before * after <= 0 or abs(after) > abs(before):
        return math.inf
    return tau_h * math.log(before / after)


def tau_from_times(start_c: float, final_c: float, *, ambient_c: float, hours: float) -> float:
    """Return the time constant of a pack that went from ``start_c`` to ``final_c`` in constant air. [h]"""
    before, after = start_c - ambient_c, final_c - ambient_c
    if not (hours > 0 and before * after > 0 and abs(after) < abs(before)):
        raise invalid(
            "final_c",
            say(
                "A core in air of {ambient_c} °C cannot go from {start_c} to {final_c} °C in {hours} h.",
                ambient_c=ambient_c,
                start_c=start_c,
                final_c=final_c,
                hours=hours,
            ),
            say("Give a final temperature between start and air, and hours above zero."),
        )
    return hours / math.log(before / after)


def tau_and_ambient_from_times(
    first: tuple[float, float, float], second: tuple[float, float, float]
) -> tuple[float, float]:
    """
    Return (τ in h, air in °C) from two coolings, or two warmings, in the same air of unknown temperature.

    Parameters
    ----------
    first, second
        (start, final, hours) of each, with the same direction. [°C, °C, h]

    Raises
    ------
    Invalid
        No air temperature fits both.

    Examples
    --------
    >>> tau_h, air_c = tau_and_ambient_from_times((10, 3.3333333333, 25), (4.4444444444, 3.3333333333, 7))
    >>> round(tau_h, 3), round(air_c, 3)
    (19.667, 0.734)
    """
    sign = 1.0 if first[0] > first[1] else -1.0
    runs = [(sign * start, sign * final, hours) for start, final, hours in (first, second)]
    no_fit = invalid(
        "second",
        say("No air temperature fits both runs."),
        say("Measure two runs in the same air, from different starts."),
    )
    if not all(start > final and hours > 0 for start, final, hours in runs):
        raise no_fit
    coldest = min(final for _, final, _ in runs)

    def mismatch(below: float) -> float:
        air = coldest - below
        (a1, b1, h1), (a2, b2, h2) = runs
        return h2 * math.log((a1 - air) / (b1 - air)) - h1 * math.log((a2 - air) / (b2 - air))

    low, high = 1e-9, 1e3
    if mismatch(low) * mismatch(high) >= 0:
        raise no_fit
    air = coldest - float(brentq(mismatch, low, high, xtol=1e-13, rtol=1e-14))
    try:
        tau_h = tau_from_times(runs[0][0], runs[0][1], ambient_c=air, hours=runs[0][2])
    except Invalid as error:
        raise no_fit from error
    return tau_h, sign * air


def tau_from_properties(
    *, film_w_m2k: float, density_kg_m3: float, heat_capacity_j_kgk: float, volume_per_area_m: float
) -> float:
    """Return ρ·c·(V/A)/h of a pack evenly warm inside: a first guess at τ before a trial. [h]"""
    values = (film_w_m2k, density_kg_m3, heat_capacity_j_kgk, volume_per_area_m)
    if not all(math.isfinite(value) and value > 0 for value in values):
        raise invalid(
            "film_w_m2k",
            say("A property is not above zero."),
            say("Give all four as finite numbers above zero."),
        )
    return density_kg_m3 * heat_capacity_j_kgk * volume_per_area_m / film_w_m2k / 3600
