"""How fast beer ages at a temperature, and what one temperature is worth in time at another."""

import math
from collections.abc import Sequence
from typing import Literal, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rimekeep.errors import invalid
from rimekeep.units import GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET, k_to_c
from rimekeep.wording import say

FloatArray = NDArray[np.float64]
Temperatures = Sequence[float] | NDArray[np.float64]

# The pharmacopoeia prints 83.144 kJ/mol because, with its R of 8.3144 J/mol/K, it stands for 10,000 K.
USP_ACTIVATION_KJ_MOL = 83.144
USP_ACTIVATION_OVER_R_K = 10_000.0

# Wide enough for every store, kettle and laboratory; outside, the number is not a temperature of beer, and
# the exponentials below cannot overflow inside.
COMPUTABLE_C = (-270.0, 1000.0)
MAX_ACTIVATION_KJ_MOL = 1000.0
# A shorter life is a slip, and its rates leave the range of doubles. [days]
LEAST_LIFE_DAYS = 1e-6
REFERENCE_RANGE_C = (-60.0, 120.0)
MAX_Q10 = 100.0


def check_activation(activation_kj_mol: float) -> None:
    """Refuse an activation energy that is not a number from 0 to 1000 kJ/mol."""
    if not 0 <= activation_kj_mol <= MAX_ACTIVATION_KJ_MOL:
        raise invalid(
            "activation_kj_mol",
            say(
                "{activation_kj_mol} is not from 0 to {MAX_ACTIVATION_KJ_MOL:g} kJ/mol.",
                activation_kj_mol=activation_kj_mol,
                MAX_ACTIVATION_KJ_MOL=MAX_ACTIVATION_KJ_MOL,
            ),
            say("Give kJ/mol, not J/mol; ageing of beer lies around 60 to 120."),
        )


def check_reference(reference_c: float, reference_life_days: float) -> None:
    """Refuse a reference temperature outside −60…120 °C, or a life no beer has (below 1e-6 days)."""
    low_c, high_c = REFERENCE_RANGE_C
    if not low_c <= reference_c <= high_c:
        raise invalid(
            "reference_c",
            say(
                "{reference_c} °C is outside {low_c:g} to {high_c:g} °C.",
                reference_c=reference_c,
                low_c=low_c,
                high_c=high_c,
            ),
            say("Give the °C of the test."),
        )
    if not (math.isfinite(reference_life_days) and reference_life_days >= LEAST_LIFE_DAYS):
        raise invalid(
            "reference_life_days",
            say("{reference_life_days} is not a life in days.", reference_life_days=reference_life_days),
            say("Give days above zero."),
        )


def _temps(temp_c: ArrayLike) -> FloatArray:
    temps = np.asarray(temp_c, dtype=np.float64)
    low_c, high_c = COMPUTABLE_C
    if not bool(np.all((temps >= low_c) & (temps <= high_c))):
        raise invalid(
            "temp_c",
            say("A temperature is outside {low_c:g} to {high_c:g} °C.", low_c=low_c, high_c=high_c),
            say("Give °C, all of them finite."),
        )
    return temps


def _like(given: ArrayLike, values: FloatArray) -> float | FloatArray:
    return float(values) if np.ndim(given) == 0 else values


@overload
def arrhenius_rate(
    temp_c: float, *, reference_c: float, reference_life_days: float, activation_kj_mol: float
) -> float: ...
@overload
def arrhenius_rate(
    temp_c: Temperatures, *, reference_c: float, reference_life_days: float, activation_kj_mol: float
) -> FloatArray: ...
def arrhenius_rate(
    temp_c: float | Temperatures, *, reference_c: float, reference_life_days: float, activation_kj_mol: float
) -> float | FloatArray:
    """
    Return the share of life used per day at a temperature, by Arrhenius' law.

    ``(1/L) · exp(−E/R · (1/T − 1/T_ref))``, T in kelvin.

    Parameters
    ----------
    temp_c
        Scalar or any shape. [°C]
    reference_c
        Where the reference life holds, −60…120. [°C]
    reference_life_days
        Life held constantly at ``reference_c``, > 0. [days]
    activation_kj_mol
        Activation energy, 0…1000. [kJ/mol]

    Returns
    -------
    float or array
        Same shape as ``temp_c``. [1/day]

    Raises
    ------
    Invalid
        A parameter breaks the bound stated above.

    References
    ----------
    Kvasný průmysl 24(2) 30-32 (1978), DOI 10.18832/kp1978005: furfural in pasteurised beer, E = 101.8 kJ/mol
    fitted at 20-37 °C. Every colder result is an extrapolation.

    Examples
    --------
    >>> round(arrhenius_rate(4.0, reference_c=20, reference_life_days=1, activation_kj_mol=101.8), 6)
    0.08971
    """
    check_reference(reference_c, reference_life_days)
    check_activation(activation_kj_mol)
    temps = _temps(temp_c)
    theta_k = activation_kj_mol * 1000 / GAS_CONSTANT_J_MOL_K
    exponent = theta_k * (1 / (reference_c + KELVIN_OFFSET) - 1 / (temps + KELVIN_OFFSET))
    return _like(temp_c, np.asarray(np.exp(exponent) / reference_life_days))


@overload
def q10_rate(temp_c: float, *, reference_c: float, reference_life_days: float, q10: float) -> float: ...
@overload
def q10_rate(
    temp_c: Temperatures, *, reference_c: float, reference_life_days: float, q10: float
) -> FloatArray: ...
def q10_rate(
    temp_c: float | Temperatures, *, reference_c: float, reference_life_days: float, q10: float
) -> float | FloatArray:
    """
    Return the share of life used per day when every 10 °C multiply the rate by ``q10``.

    Not Arrhenius: over a wide range of temperatures the two part, and the profile must say which it is.

    Parameters
    ----------
    temp_c
        Scalar or any shape. [°C]
    reference_c
        Where the reference life holds, −60…120. [°C]
    reference_life_days
        Life held constantly at ``reference_c``, > 0. [days]
    q10
        Rate ratio per 10 °C, above 0, up to 100. [-]

    Returns
    -------
    float or array
        Same shape as ``temp_c``. [1/day]

    Raises
    ------
    Invalid
        A parameter breaks the bound stated above.

    Examples
    --------
    >>> q10_rate(30.0, reference_c=20, reference_life_days=6, q10=3)
    0.5
    """
    check_reference(reference_c, reference_life_days)
    check_q10(q10)
    exponent = (_temps(temp_c) - reference_c) / 10
    return _like(temp_c, np.asarray(np.power(float(q10), exponent) / reference_life_days))


def check_q10(q10: float) -> None:
    """Refuse a rate ratio per 10 °C that is not above 0 and up to 100."""
    if not 0 < q10 <= MAX_Q10:
        raise invalid(
            "q10",
            say("{q10} is not above 0 and up to {MAX_Q10:g}.", q10=q10, MAX_Q10=MAX_Q10),
            say("Give the rate ratio per 10 °C."),
        )


@overload
def square_root_rate(temp_c: float, *, b: float, t_min_c: float) -> float: ...
@overload
def square_root_rate(temp_c: Temperatures, *, b: float, t_min_c: float) -> FloatArray: ...
def square_root_rate(temp_c: float | Temperatures, *, b: float, t_min_c: float) -> float | FloatArray:
    """
    Return the growth rate ``(b · (T − T_min))²`` of spoilage organisms; zero below ``T_min``.

    Parameters
    ----------
    temp_c
        Scalar or any shape, below the organism's optimum (the form keeps rising beyond it). [°C]
    b
        Slope, ≥ 0. [1/(√day · °C)]
    t_min_c
        Temperature at which the line through √rate meets zero. [°C]

    Returns
    -------
    float or array
        Same shape as ``temp_c``. [1/day]

    Raises
    ------
    Invalid
        A parameter is not finite or ``b`` is negative.

    References
    ----------
    Ratkowsky et al., J. Bacteriol. 149 (1982) 1-5 (from memory).

    Examples
    --------
    >>> round(square_root_rate(12.0, b=0.02, t_min_c=2.0), 6)
    0.04
    """
    if not (math.isfinite(b) and b >= 0):
        raise invalid("b", say("{b} is not a slope.", b=b), say("Give a finite number, zero or above."))
    if not math.isfinite(t_min_c):
        raise invalid("t_min_c", say("{t_min_c} is not a temperature.", t_min_c=t_min_c), say("Give °C."))
    return _like(temp_c, np.asarray((b * np.maximum(_temps(temp_c) - t_min_c, 0.0)) ** 2))


def mean_kinetic_temperature(
    times_h: ArrayLike,
    temps_c: ArrayLike,
    *,
    activation_kj_mol: float = USP_ACTIVATION_KJ_MOL,
    rule: Literal["trapezoid", "hold"] = "trapezoid",
) -> float:
    """
    Return the constant temperature that would have aged the goods as much as this history.

    Parameters
    ----------
    times_h
        Times of the readings, ascending, shape (n,), n ≥ 2. Two readings at one time are a step. [h]
    temps_c
        Temperatures, same shape. [°C]
    activation_kj_mol
        Above 0, up to 1000. The default is the pharmacopoeia's and means exactly ΔH/R = 10,000 K. [kJ/mol]
    rule
        ``"trapezoid"`` averages exp(−ΔH/RT), not T, over each interval. ``"hold"`` lets each reading stand
        until the next, so that the last has no weight. Readings of equal weight, or temperatures with
        durations, are ``"hold"`` over the running sum of the durations, the last time closing the series.

    Returns
    -------
    float
        Between the coldest and the warmest reading. [°C]

    Raises
    ------
    Invalid
        Fewer than two readings, times that do not ascend, no time between them, or a parameter out of bounds.

    References
    ----------
    USP <1160>, mean kinetic temperature (as commonly quoted); C. Tong and A. Lock, "A computational procedure
    for mean kinetic temperature using unequally spaced data", JSM Proceedings 2015.

    Examples
    --------
    >>> round(mean_kinetic_temperature([0, 22, 24], [5, 25, 25], rule="hold"), 4)
    9.8252
    """
    check_activation(activation_kj_mol)
    if activation_kj_mol == 0:
        raise invalid(
            "activation_kj_mol",
            say("Without it no temperature is worth more."),
            say("Give kJ/mol above zero."),
        )
    at = np.asarray(times_h, dtype=np.float64)
    temps = _temps(temps_c)
    if at.ndim != 1 or at.shape != temps.shape or at.size < 2:
        raise invalid(
            "temps_c", say("Times and temperatures do not pair up."), say("Give two or more of each.")
        )
    hours = np.diff(at)
    if not (bool(np.all(np.isfinite(at))) and bool(np.all(hours >= 0)) and at[-1] > at[0]):
        raise invalid(
            "times_h", say("The times do not ascend."), say("Sort the readings; they must span some time.")
        )
    if rule not in ("trapezoid", "hold"):
        raise invalid("rule", say("{rule!r} is not known.", rule=rule), say("Give trapezoid or hold."))
    is_usp = activation_kj_mol == USP_ACTIVATION_KJ_MOL
    theta_k = USP_ACTIVATION_OVER_R_K if is_usp else activation_kj_mol * 1000 / GAS_CONSTANT_J_MOL_K
    inverse_k = 1 / (temps + KELVIN_OFFSET)
    # A reading that stands for no time has no say.
    is_some = hours > 0
    ends = inverse_k[:-1][is_some], (inverse_k[1:] if rule == "trapezoid" else inverse_k[:-1])[is_some]
    # The warmest is taken out so that the exponentials stay near one, and the one so that a small activation
    # energy is not lost beside it.
    warmest = min(float(end.min()) for end in ends)
    level = sum(np.expm1(-theta_k * (end - warmest)) for end in ends) / 2
    mean = float(np.sum(level * hours[is_some]) / np.sum(hours))
    if mean <= -1:
        raise invalid(
            "temps_c", say("The readings span too wide a range."), say("Check for faulty readings.")
        )
    return k_to_c(1 / (warmest - math.log1p(mean) / theta_k))


def arrhenius_ratio(warm_c: float, cold_c: float, *, activation_kj_mol: float) -> float:
    """Return how many times faster ageing runs, and shorter life is, at ``warm_c`` than at ``cold_c``."""
    check_activation(activation_kj_mol)
    inverse = 1 / (_temps(cold_c) + KELVIN_OFFSET) - 1 / (_temps(warm_c) + KELVIN_OFFSET)
    return math.exp(activation_kj_mol * 1000 / GAS_CONSTANT_J_MOL_K * float(inverse))


def q10_ratio(warm_c: float, cold_c: float, *, q10: float) -> float:
    """Return how many times faster ageing runs at ``warm_c`` than at ``cold_c`` with a constant Q10."""
    check_q10(q10)
    return float(q10 ** ((float(_temps(warm_c)) - float(_temps(cold_c))) / 10))


def activation_from_ratio(warm_c: float, cold_c: float, ratio: float) -> float:
    """Return the activation energy with which ageing is ``ratio`` times faster at ``warm_c``. [kJ/mol]"""
    _check_pair(warm_c, cold_c, ratio)
    inverse = 1 / (cold_c + KELVIN_OFFSET) - 1 / (warm_c + KELVIN_OFFSET)
    return GAS_CONSTANT_J_MOL_K * math.log(ratio) / inverse / 1000


def q10_from_ratio(warm_c: float, cold_c: float, ratio: float) -> float:
    """Return the Q10 with which ageing is ``ratio`` times faster at ``warm_c``. [-]"""
    _check_pair(warm_c, cold_c, ratio)
    return float(ratio ** (10 / (warm_c - cold_c)))


def _check_pair(warm_c: float, cold_c: float, ratio: float) -> None:
    if not float(_temps(warm_c)) > float(_temps(cold_c)):
        raise invalid(
            "warm_c",
            say("{warm_c} °C is not warmer than {cold_c} °C.", warm_c=warm_c, cold_c=cold_c),
            say("Give the warmer one first."),
        )
    if not (math.isfinite(ratio) and ratio > 0):
        raise invalid(
            "ratio", say("{ratio} is not a ratio of rates.", ratio=ratio), say("Give a number above zero.")
        )
