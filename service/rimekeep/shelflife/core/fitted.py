"""What a fit to forced-ageing data found, as it is stored and shown."""

from dataclasses import dataclass
from typing import Any

from rimekeep.shelflife.core.laws import Form
from rimekeep.shelflife.core.routes import FORMS
from rimekeep.shelflife.core.trial import Trial


@dataclass(frozen=True, slots=True)
class Estimate:
    """
    A fitted value with its standard deviation and confidence interval.

    An end of the interval is None where it has no bound; all but the value are None for what was given.
    """

    value: float
    sd: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Point:
    """One observation beside what was fitted; ``standardised`` is None where the residual has no spread."""

    temp_c: float
    day: float
    score: float
    fitted: float
    residual: float
    standardised: float | None


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """What replicates say about the form: F of the misfit over the replicates' own scatter."""

    f: float
    misfit_freedom: int
    replicate_freedom: int
    probability: float


@dataclass(frozen=True, slots=True)
class Fit:
    """
    A fitted life at the reference temperature and the form's own parameter: E [kJ/mol], Q10 or T_min [°C].

    ``correlation`` is between the two. ``relative_strength_width`` is the width of the interval of what
    carries the dependence on temperature (E, ln Q10, 1/(T_c − T_min)) over its value.
    """

    trial: Trial
    form: Form
    reference_c: float
    life_days: Estimate
    parameter: Estimate
    start_score: Estimate
    correlation: float
    relative_strength_width: float
    points: tuple[Point, ...]
    parameters: int
    freedom: int
    residual_sd: float
    r_squared: float
    way_share: float
    lack_of_fit: LackOfFit | None
    aicc: float | None

    def route(self, name: str, source: str) -> dict[str, Any]:
        """Return the route of an ageing profile that the fit makes."""
        return {
            "form": str(self.form),
            "name": name,
            "reference_c": self.reference_c,
            "reference_life_days": self.life_days.value,
            FORMS[self.form].parameter_field: self.parameter.value,
            "life_sd_days": self.life_days.sd,
            "parameter_sd": self.parameter.sd,
            "correlation": self.correlation,
            "source": source,
        }
