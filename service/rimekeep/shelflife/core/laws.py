"""
The laws a score of forced ageing may follow: how its rate moves with temperature, and how it moves in time.

Every law is written around the trial's own middle temperature T_c, where life and temperature parameter
hardly depend on each other: the share of life used after t days is ``z = t · exp(−a) · f(T; q)`` with
``f(T_c) = 1``, a the logarithm of the life at T_c, and q the law's strength: E, ln Q10, or 1/(T_c − T_min).
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np

from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.trial import Kinetics, Trial
from rimekeep.units import GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET

# Far from the solution exponentials may grow; e^300 is still a number, and no score.
LARGEST_EXPONENT = 300.0


class Form(StrEnum):
    """How a rate of ageing moves with temperature; the words of the profiles' routes."""

    ARRHENIUS = "arrhenius"
    Q10 = "q10"
    SQUARE_ROOT = "square root"


@dataclass(frozen=True, slots=True)
class Arrhenius:
    """``exp(E/R · (1/T_c − 1/T))``; the strength is E in kJ/mol."""

    middle_c: float
    form: ClassVar[Form] = Form.ARRHENIUS

    def _inverse(self, temp_c: FloatArray) -> FloatArray:
        inverse = 1 / (self.middle_c + KELVIN_OFFSET) - 1 / (temp_c + KELVIN_OFFSET)
        return np.asarray(1000 / GAS_CONSTANT_J_MOL_K * inverse)

    def speed(self, temp_c: FloatArray, strength: float) -> tuple[FloatArray, FloatArray]:
        """Return f and ∂f/∂E."""
        inverse = self._inverse(temp_c)
        speed = _exp(strength * inverse)
        return speed, speed * inverse

    def line(self, rates: FloatArray, temps_c: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the axes of ln r over 1/T."""
        return self._inverse(temps_c), np.log(rates), 1 / rates

    def start(self, intercept: float, slope: float) -> tuple[float, float]:
        """Return a and E."""
        return -intercept, slope

    def parameter(self, strength: float) -> float:
        """Return E."""
        return strength

    def parameter_slope(self, strength: float) -> float:
        """Return 1."""
        return 1.0


@dataclass(frozen=True, slots=True)
class ConstantQ10:
    """``Q10^((T − T_c)/10)``; the strength is ln Q10."""

    middle_c: float
    form: ClassVar[Form] = Form.Q10

    def speed(self, temp_c: FloatArray, strength: float) -> tuple[FloatArray, FloatArray]:
        """Return f and ∂f/∂ln Q10."""
        tens = (temp_c - self.middle_c) / 10
        speed = _exp(strength * tens)
        return speed, speed * tens

    def line(self, rates: FloatArray, temps_c: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the axes of ln r over T."""
        return (temps_c - self.middle_c) / 10, np.log(rates), 1 / rates

    def start(self, intercept: float, slope: float) -> tuple[float, float]:
        """Return a and ln Q10."""
        return -intercept, slope

    def parameter(self, strength: float) -> float:
        """Return Q10."""
        return float(np.exp(min(strength, LARGEST_EXPONENT)))

    def parameter_slope(self, strength: float) -> float:
        """Return dQ10/dln Q10."""
        return self.parameter(strength)


@dataclass(frozen=True, slots=True)
class SquareRoot:
    """``((T − T_min)₊ / (T_c − T_min))²``; the strength is 1/(T_c − T_min), in which √f is a line."""

    middle_c: float
    form: ClassVar[Form] = Form.SQUARE_ROOT

    def speed(self, temp_c: FloatArray, strength: float) -> tuple[FloatArray, FloatArray]:
        """Return f and its derivative by the strength."""
        above_c = temp_c - self.middle_c
        root = np.maximum(1 + strength * above_c, 0.0)
        return root**2, 2 * root * above_c

    def line(self, rates: FloatArray, temps_c: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the axes of √r over T."""
        return temps_c - self.middle_c, np.sqrt(rates), 0.5 / np.sqrt(rates)

    def start(self, intercept: float, slope: float) -> tuple[float, float]:
        """Return a and the strength."""
        height = max(intercept, 1e-12)
        return -2 * float(np.log(height)), slope / height

    def parameter(self, strength: float) -> float:
        """Return T_min; −∞ without any strength."""
        return self.middle_c - 1 / strength if strength > 0 else -np.inf

    def parameter_slope(self, strength: float) -> float:
        """Return dT_min/dstrength."""
        return 1 / strength**2


Law = Arrhenius | ConstantQ10 | SquareRoot
LAWS: dict[Form, type[Arrhenius] | type[ConstantQ10] | type[SquareRoot]] = {
    law.form: law for law in (Arrhenius, ConstantQ10, SquareRoot)
}


def _exp(exponent: FloatArray) -> FloatArray:
    return np.exp(np.clip(exponent, -LARGEST_EXPONENT, LARGEST_EXPONENT))


def expected_scores(given: Trial, law: Law, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """
    Return the scores a law expects of a trial, and their derivatives.

    Parameters
    ----------
    given
        The trial; its days, temperatures, limit, kinetics and, where it has one, start score.
    law
        How the rate moves with temperature.
    parameters
        ln of the life at the law's middle temperature [ln days], the law's strength, and, unless the trial
        gives it, the start score (its logarithm in first-order kinetics); shape (2,) or (3,).

    Returns
    -------
    tuple
        Scores, shape (n,), and derivatives by the parameters, shape (n, 2 or 3).

    Notes
    -----
    Zero-order: ``s = s₀ + (limit − s₀)·z``; first-order: ``s = s₀·(limit/s₀)^z``. Either reaches the limit
    when z, the share of life used, is 1.
    """
    log_life, strength = float(parameters[0]), float(parameters[1])
    is_zero_order = given.kinetics is Kinetics.ZERO_ORDER
    speed, by_strength = law.speed(given.temps_c, strength)
    pace = given.days * np.exp(np.clip(-log_life, -LARGEST_EXPONENT, LARGEST_EXPONENT))
    used = pace * speed
    limit, start = given.limit, given.start_score
    if not is_zero_order:
        limit, start = math.log(limit), None if start is None else math.log(start)
    if start is None:
        start = float(parameters[2])
    # First-order change is a straight line too, of the logarithm.
    line = start + (limit - start) * used
    scores, by_line = (line, np.ones_like(line)) if is_zero_order else (_exp(line), _exp(line))
    by_used, by_start = by_line * (limit - start), by_line * (1 - used)
    columns = [-by_used * used, by_used * pace * by_strength]
    if given.start_score is None:
        columns.append(by_start)
    return np.asarray(scores), np.column_stack(columns)
