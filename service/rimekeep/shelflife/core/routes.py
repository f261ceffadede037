"""
The ways beer goes off, each a rate of ageing over temperature.

Every route is a life held at a reference temperature and a shape that carries it to other temperatures:
``rate(T) = shape(T) / L`` with ``shape(T_ref) = 1``. Three shapes are known: Arrhenius' law, a constant Q10
and square-root growth. Each has one parameter of temperature (E, Q10, T_min) whose standard deviation, with
that of L, makes the uncertainty of a date.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from rimekeep.errors import invalid
from rimekeep.shelflife.core.kinetics import (
    FloatArray,
    check_activation,
    check_q10,
    check_reference,
)
from rimekeep.units import GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET
from rimekeep.wording import say

# A square-root route bends at T_min and is a parabola above it; this is how steep the integrator takes it.
PARABOLA_PER_K = 0.1
LOWEST_T_MIN_C = -60.0


def _check_spread(route: "AnyRoute") -> None:
    if not route.name:
        raise invalid("name", say("A route of ageing needs a name."), say("Name it, as in staling or haze."))
    check_reference(route.reference_c, route.reference_life_days)
    for field in ("life_sd_days", route.spread_field):
        sd = getattr(route, field)
        if sd is not None and not (math.isfinite(sd) and sd >= 0):
            raise invalid(
                field,
                say("{sd} is no standard deviation.", sd=sd),
                say("Give zero or above, or leave it out."),
            )
    if not -1 <= route.correlation <= 1:
        raise invalid(
            "correlation",
            say("{correlation} is not from -1 to 1.", correlation=route.correlation),
            say("Take it from the fit, or give 0."),
        )


@dataclass(frozen=True, slots=True)
class Route:
    """
    Arrhenius' law: ``exp(−E/R · (1/T − 1/T_ref)) / L``, T in kelvin.

    ``life_sd_days`` and ``activation_sd_kj_mol`` are standard deviations, None when nobody knows them;
    ``correlation`` is between the two. [°C, days, kJ/mol]
    """

    name: str
    reference_c: float
    reference_life_days: float
    activation_kj_mol: float
    life_sd_days: float | None = None
    activation_sd_kj_mol: float | None = None
    correlation: float = 0.0

    form: ClassVar[str] = "arrhenius"
    spread_field: ClassVar[str] = "activation_sd_kj_mol"
    parameter_field: ClassVar[str] = "activation_kj_mol"

    def __post_init__(self) -> None:
        """Refuse parameters no beer has."""
        _check_spread(self)
        check_activation(self.activation_kj_mol)

    @property
    def parameter_sd(self) -> float | None:
        """Return the standard deviation of E. [kJ/mol]"""
        return self.activation_sd_kj_mol

    @property
    def activation_over_r_k(self) -> float:
        """Return E/R. [K]"""
        return self.activation_kj_mol * 1000 / GAS_CONSTANT_J_MOL_K

    def rate_per_day(self, temp_c: float) -> float:
        """Return the share of this route's life used per day at a constant temperature."""
        return float(self.rates(np.float64(temp_c)))

    def rates(self, temp_c: FloatArray | np.float64) -> FloatArray:
        """Return the rate at temperatures of any shape. [1/day]"""
        inverse_k = 1 / (temp_c + KELVIN_OFFSET)
        exponent = self.activation_over_r_k * (1 / (self.reference_c + KELVIN_OFFSET) - inverse_k)
        return np.asarray(np.exp(exponent) / self.reference_life_days)

    def slopes(self, temp_c: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how the rates move with E [1/day/(kJ/mol)] and with the temperature [1/day/K]."""
        inverse_k = 1 / (temp_c + KELVIN_OFFSET)
        per_kj = 1000 / GAS_CONSTANT_J_MOL_K * (1 / (self.reference_c + KELVIN_OFFSET) - inverse_k)
        return rates * per_kj, rates * self.activation_over_r_k * inverse_k**2

    def steepness(self, coldest_c: FloatArray) -> FloatArray:
        """Return how much the exponent of the rate moves per kelvin, at most, above ``coldest_c``. [1/K]"""
        return np.asarray(self.activation_over_r_k / (coldest_c + KELVIN_OFFSET) ** 2)

    @property
    def bend_c(self) -> float | None:
        """Return where the rate is not smooth: nowhere."""
        return None


@dataclass(frozen=True, slots=True)
class Q10Route:
    """
    A constant Q10: ``q10**((T − T_ref)/10) / L``. Not Arrhenius: over a wide range the two part.

    Standard deviations and correlation as for `Route`. [°C, days, -]
    """

    name: str
    reference_c: float
    reference_life_days: float
    q10: float
    life_sd_days: float | None = None
    q10_sd: float | None = None
    correlation: float = 0.0

    form: ClassVar[str] = "q10"
    spread_field: ClassVar[str] = "q10_sd"
    parameter_field: ClassVar[str] = "q10"

    def __post_init__(self) -> None:
        """Refuse parameters no beer has."""
        _check_spread(self)
        check_q10(self.q10)

    @property
    def parameter_sd(self) -> float | None:
        """Return the standard deviation of Q10. [-]"""
        return self.q10_sd

    def rate_per_day(self, temp_c: float) -> float:
        """Return the share of this route's life used per day at a constant temperature."""
        return float(self.rates(np.float64(temp_c)))

    def rates(self, temp_c: FloatArray | np.float64) -> FloatArray:
        """Return the rate at temperatures of any shape. [1/day]"""
        exponent = math.log(self.q10) / 10 * (temp_c - self.reference_c)
        return np.asarray(np.exp(exponent) / self.reference_life_days)

    def slopes(self, temp_c: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how the rates move with Q10 [1/day] and with the temperature [1/day/K]."""
        return rates * (temp_c - self.reference_c) / (10 * self.q10), rates * math.log(self.q10) / 10

    def steepness(self, coldest_c: FloatArray) -> FloatArray:
        """Return how much the exponent of the rate moves per kelvin. [1/K]"""
        return np.full(coldest_c.shape, abs(math.log(self.q10)) / 10)

    @property
    def bend_c(self) -> float | None:
        """Return where the rate is not smooth: nowhere."""
        return None


@dataclass(frozen=True, slots=True)
class SquareRootRoute:
    """
    Growth of spoilers: ``((T − T_min)₊ / (T_ref − T_min))² / L``; nothing grows below T_min.

    The square-root law ``√μ = b·(T − T_min)`` with b given as a life at a reference temperature. Holds below
    the organism's optimum. Standard deviations and correlation as for `Route`. [°C, days, °C]

    References
    ----------
    Ratkowsky et al., J. Bacteriol. 149 (1982) 1-5 (from memory).
    """

    name: str
    reference_c: float
    reference_life_days: float
    t_min_c: float
    life_sd_days: float | None = None
    t_min_sd_c: float | None = None
    correlation: float = 0.0

    form: ClassVar[str] = "square root"
    spread_field: ClassVar[str] = "t_min_sd_c"
    parameter_field: ClassVar[str] = "t_min_c"

    def __post_init__(self) -> None:
        """Refuse parameters no organism has."""
        _check_spread(self)
        if not LOWEST_T_MIN_C <= self.t_min_c < self.reference_c:
            raise invalid(
                "t_min_c",
                say(
                    "{t_min_c} °C is not from {LOWEST_T_MIN_C:g} °C to below the reference temperature.",
                    t_min_c=self.t_min_c,
                    LOWEST_T_MIN_C=LOWEST_T_MIN_C,
                ),
                say("Give where the line through the root of the growth rate meets zero."),
            )

    @property
    def parameter_sd(self) -> float | None:
        """Return the standard deviation of T_min. [°C]"""
        return self.t_min_sd_c

    def rate_per_day(self, temp_c: float) -> float:
        """Return the share of this route's life used per day at a constant temperature."""
        return float(self.rates(np.float64(temp_c)))

    def rates(self, temp_c: FloatArray | np.float64) -> FloatArray:
        """Return the rate at temperatures of any shape. [1/day]"""
        above = np.maximum(temp_c - self.t_min_c, 0.0) / (self.reference_c - self.t_min_c)
        return np.asarray(above**2 / self.reference_life_days)

    def slopes(self, temp_c: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how the rates move with T_min and with the temperature, both in 1/day/K."""
        span = self.reference_c - self.t_min_c
        per_k = 2 * np.maximum(temp_c - self.t_min_c, 0.0) / (span**2 * self.reference_life_days)
        return per_k * (temp_c - self.reference_c) / span, per_k

    def steepness(self, coldest_c: FloatArray) -> FloatArray:
        """Return the steepness the integrator works with. [1/K]"""
        return np.full(coldest_c.shape, PARABOLA_PER_K)

    @property
    def bend_c(self) -> float | None:
        """Return where the rate is not smooth. [°C]"""
        return self.t_min_c


AnyRoute = Route | Q10Route | SquareRootRoute
FORMS: dict[str, type[Route] | type[Q10Route] | type[SquareRootRoute]] = {
    form.form: form for form in (Route, Q10Route, SquareRootRoute)
}


def route_from(stored: Mapping[str, Any]) -> AnyRoute:
    """
    Return a route from its stored form.

    Parameters
    ----------
    stored
        ``form`` (arrhenius when absent), ``name``, ``reference_c``, ``reference_life_days``, the form's own
        ``activation_kj_mol``, ``q10`` or ``t_min_c``; optional ``life_sd_days``, ``parameter_sd``,
        ``correlation``. Other entries are not looked at.

    Raises
    ------
    Invalid
        An unknown form, a missing entry or a value out of bounds; says which.

    Examples
    --------
    >>> route_from({"form": "q10", "name": "haze", "reference_c": 20, "reference_life_days": 90, "q10": 2})
    Q10Route(name='haze', reference_c=20.0, reference_life_days=90.0, q10=2.0, life_sd_days=None, \
q10_sd=None, correlation=0.0)
    """
    form = FORMS.get(str(stored.get("form") or Route.form))
    if form is None:
        raise invalid(
            "form",
            say("{get!r} is no form of a route.", get=stored.get("form")),
            say("Give one of: {choices}.", choices=", ".join(FORMS)),
        )
    values = []
    for field in ("reference_c", "reference_life_days", form.parameter_field):
        if stored.get(field) is None:
            raise invalid(
                field,
                say("A route of the form {form} needs {field}.", form=form.form, field=field),
                say("Give it."),
            )
        values.append(float(stored[field]))
    life_sd, parameter_sd = (
        None if stored.get(field) is None else float(stored[field])
        for field in ("life_sd_days", "parameter_sd")
    )
    correlation = float(stored.get("correlation") or 0.0)
    reference_c, life_days, parameter = values
    name = str(stored["name"]).strip()
    return form(name, reference_c, life_days, parameter, life_sd, parameter_sd, correlation)
