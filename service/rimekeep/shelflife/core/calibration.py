"""From rates measured at several temperatures to the activation energy that joins them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rimekeep.errors import invalid
from rimekeep.units import GAS_CONSTANT_J_MOL_K

MIN_POINTS = 3


@dataclass(frozen=True, slots=True)
class ArrheniusFit:
    """A fitted line ``ln k = ln A − E/(R·T)``; the standard error has n − 2 degrees of freedom."""

    activation_kj_mol: float
    stderr_kj_mol: float
    ln_a: float
    points: int

    def rate(self, temp_k: float) -> float:
        """Return the fitted rate at a temperature in kelvin, in the unit of the rates given."""
        if not (math.isfinite(temp_k) and temp_k > 0):
            raise invalid("temp_k", f"{temp_k} is not a temperature in kelvin.", "Give kelvin, above zero.")
        return math.exp(self.ln_a - self.activation_kj_mol * 1000 / (GAS_CONSTANT_J_MOL_K * temp_k))


def fit_arrhenius(temps_k: ArrayLike, rates: ArrayLike) -> ArrheniusFit:
    """
    Return the Arrhenius line through measured rates, by ordinary least squares of ln k on 1/T.

    Parameters
    ----------
    temps_k
        Test temperatures, shape (n,), n ≥ 3, at least two of them different. [K]
    rates
        Rates measured there, > 0, same shape, any one unit.

    Returns
    -------
    ArrheniusFit
        Activation energy and its standard error (n − 2 degrees of freedom), ln A in the unit of the rates.

    Raises
    ------
    Invalid
        The data cannot carry the fit; says what is missing.

    References
    ----------
    Example of the method: *OpenStax Chemistry 2e* 12.5, decomposition of hydrogen iodide.

    Examples
    --------
    >>> fit = fit_arrhenius([555, 575, 645, 700, 781], [3.52e-7, 1.22e-6, 8.59e-5, 1.16e-3, 3.95e-2])
    >>> round(fit.activation_kj_mol, 3), round(fit.stderr_kj_mol, 3)
    (185.308, 2.177)
    """
    temps = np.asarray(temps_k, dtype=np.float64)
    speeds = np.asarray(rates, dtype=np.float64)
    if temps.ndim != 1 or temps.shape != speeds.shape:
        raise invalid(
            "rates", "Temperatures and rates do not pair up.", "Give one rate for each temperature."
        )
    if temps.size < MIN_POINTS:
        raise invalid(
            "rates",
            f"{temps.size} points cannot give an activation energy with an error.",
            f"Measure at {MIN_POINTS} temperatures or more.",
        )
    if not bool(np.all(np.isfinite(temps) & (temps > 0))):
        raise invalid("temps_k", "A temperature is not above absolute zero.", "Give kelvin, not °C.")
    if not bool(np.all(np.isfinite(speeds) & (speeds > 0))):
        raise invalid(
            "rates", "A rate is not above zero.", "Leave out tests that showed no change, or run them longer."
        )
    if np.unique(temps).size == 1:
        raise invalid("temps_k", "All tests ran at one temperature.", "Add tests at other temperatures.")
    x, y = 1 / temps, np.log(speeds)
    dx, dy = x - x.mean(), y - y.mean()
    spread = float(dx @ dx)
    slope = float(dx @ dy) / spread
    residual = dy - slope * dx
    stderr = math.sqrt(float(residual @ residual) / (temps.size - 2) / spread)
    return ArrheniusFit(
        activation_kj_mol=-slope * GAS_CONSTANT_J_MOL_K / 1000,
        stderr_kj_mol=stderr * GAS_CONSTANT_J_MOL_K / 1000,
        ln_a=float(y.mean() - slope * x.mean()),
        points=int(temps.size),
    )
