"""
Calibration: from forced ageing, or from rates measured at several temperatures, to what a profile needs.

A calibration always comes with what is thin about it. Which form and kinetics would tell the data best is
said, and never chosen for anybody.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rimekeep.errors import Invalid, RimekeepError, invalid, refused
from rimekeep.shelflife.core.fitted import Fit
from rimekeep.shelflife.core.forced_fit import fit_trial
from rimekeep.shelflife.core.laws import Form
from rimekeep.shelflife.core.routes import route_from
from rimekeep.shelflife.core.thin import Remark, remarks_on
from rimekeep.shelflife.core.trial import Direction, Kinetics, trial
from rimekeep.units import GAS_CONSTANT_J_MOL_K
from rimekeep.wording import say

MIN_POINTS = 3
# In AICc.
CLEAR_DIFFERENCE = 2.0


@dataclass(frozen=True, slots=True)
class ArrheniusFit:
    """A fitted line ``ln k = ln A − E/(R·T)``; the standard error has n − 2 degrees of freedom."""

    activation_kj_mol: float
    stderr_kj_mol: float
    ln_a: float
    points: int
    # Of (E, ln A): its first entry is the standard error squared.
    covariance: tuple[tuple[float, float], tuple[float, float]]

    def rate(self, temp_k: float) -> float:
        """Return the fitted rate at a temperature in kelvin, in the unit of the rates given."""
        if not (math.isfinite(temp_k) and temp_k > 0):
            raise invalid(
                "temp_k",
                say("{temp_k} is not a temperature in kelvin.", temp_k=temp_k),
                say("Give kelvin, above zero."),
            )
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
            "rates", say("Temperatures and rates do not pair up."), say("Give one rate for each temperature.")
        )
    if temps.size < MIN_POINTS:
        raise invalid(
            "rates",
            say("{size} points cannot give an activation energy with an error.", size=temps.size),
            say("Measure at {MIN_POINTS} temperatures or more.", MIN_POINTS=MIN_POINTS),
        )
    if not bool(np.all(np.isfinite(temps) & (temps > 0))):
        raise invalid(
            "temps_k", say("A temperature is not above absolute zero."), say("Give kelvin, not °C.")
        )
    if not bool(np.all(np.isfinite(speeds) & (speeds > 0))):
        raise invalid(
            "rates",
            say("A rate is not above zero."),
            say("Leave out tests that showed no change, or run them longer."),
        )
    if np.unique(temps).size == 1:
        raise invalid(
            "temps_k", say("All tests ran at one temperature."), say("Add tests at other temperatures.")
        )
    x, y = 1 / temps, np.log(speeds)
    dx, dy = x - x.mean(), y - y.mean()
    spread = float(dx @ dx)
    slope = float(dx @ dy) / spread
    residual = dy - slope * dx
    variance = float(residual @ residual) / (temps.size - 2)
    per_kj = GAS_CONSTANT_J_MOL_K / 1000
    mean_x = float(x.mean())
    stderr = math.sqrt(variance / spread) * per_kj
    shared = variance * mean_x / spread * per_kj
    return ArrheniusFit(
        activation_kj_mol=-slope * per_kj,
        stderr_kj_mol=stderr,
        ln_a=float(y.mean() - slope * mean_x),
        points=int(temps.size),
        covariance=((stderr**2, shared), (shared, variance * (1 / temps.size + mean_x**2 / spread))),
    )


@dataclass(frozen=True, slots=True)
class Alternative:
    """
    Another form or kinetics on the same data; ``refused`` says why it does not fit at all.

    ``aicc`` is Akaike's criterion corrected for small samples: smaller is better, and a difference below 2
    says nothing. None where the sample is too small for it.
    """

    kinetics: Kinetics
    form: Form
    aicc: float | None
    residual_sd: float | None
    life_days: float | None
    refused: str | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """A fit, what is to be said about it, and what else was tried."""

    fit: Fit
    remarks: tuple[Remark, ...]
    alternatives: tuple[Alternative, ...]

    @property
    def is_thin(self) -> bool:
        """Tell whether the data carry the fit, but no more than that."""
        return any(remark.is_thin for remark in self.remarks)

    @property
    def best(self) -> Alternative | None:
        """Return what tells the data best by AICc; None where the sample is too small to say."""
        known = [one for one in self.alternatives if one.aicc is not None]
        return min(known, key=lambda one: one.aicc or 0.0, default=None)


def calibrate(
    observations: Sequence[tuple[float, float, float]],
    *,
    direction: Direction | str,
    limit: float,
    reference_c: float,
    start_score: float | None = None,
    kinetics: Kinetics | str = Kinetics.ZERO_ORDER,
    form: Form | str = Form.ARRHENIUS,
) -> Calibration:
    """
    Return the calibration forced-ageing data give; parameters and refusals as in `fit_forced_ageing`.

    Raises
    ------
    Invalid
        A value cannot be meant.
    Refused
        The data cannot carry the fit, or the fit is beyond what a profile takes (``fit-beyond-bounds``).

    References
    ----------
    K. P. Burnham and D. R. Anderson, *Model Selection and Multimodel Inference*, Springer 2002, on AICc and
    the difference of 2 (from memory).
    """
    chosen, shape = Kinetics(kinetics), Form(form)
    facts = {"direction": Direction(direction), "limit": limit, "start_score": start_score}
    given = trial(observations, kinetics=chosen, **facts)  # type: ignore[arg-type]
    fit = fit_trial(given, shape, reference_c)
    try:
        route_from(fit.route("calibration", ""))
    except Invalid as error:
        raise refused(
            "fit-beyond-bounds",
            "observations",
            say("The fit gives what no profile takes: {detail}", detail=error.faults[0].detail),
            say("Check the data, or try another form."),
        ) from None
    others = []
    for other_kinetics in Kinetics:
        for other_form in Form:
            if (other_kinetics, other_form) == (chosen, shape):
                others.append(_told(other_kinetics, other_form, fit))
                continue
            try:
                same = trial(observations, kinetics=other_kinetics, **facts)  # type: ignore[arg-type]
                others.append(_told(other_kinetics, other_form, fit_trial(same, other_form, reference_c)))
            except RimekeepError as error:
                others.append(Alternative(other_kinetics, other_form, None, None, None, error.code))
    made = Calibration(fit, (), tuple(others))
    return Calibration(fit, remarks_on(fit, _better(made)), made.alternatives)


def _told(kinetics: Kinetics, form: Form, fit: Fit) -> Alternative:
    return Alternative(kinetics, form, fit.aicc, fit.residual_sd, fit.life_days.value, None)


def _better(made: Calibration) -> str | None:
    """Return the name of what tells the data clearly better than what was asked for, if anything does."""
    best, own = made.best, made.fit.aicc
    if best is None or best.aicc is None or own is None or own - best.aicc < CLEAR_DIFFERENCE:
        return None
    return f"{best.kinetics}, {best.form}"
