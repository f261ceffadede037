"""What is to be said about a fit to forced-ageing data, and what makes it thin."""

from dataclasses import dataclass

import numpy as np

from rimekeep.shelflife.core.fitted import Fit
from rimekeep.shelflife.core.slopes import ONE_TEMPERATURE_C

# Below these the data carry the fit, but hardly. Common practice, no source.
NARROW_SPAN_C = 5.0
FEW_DEGREES = 5
SHORT_WAY = 0.3
WIDE_LIFE = 3.0
WIDE_STRENGTH = 1.0
FAR_OUT = 3.5
# A misfit that chance would bring once in a hundred trials.
SELDOM = 0.01
ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class Remark:
    """Something whoever relies on the fit must know; ``is_thin`` when it makes the fit thin."""

    code: str
    text: str
    is_thin: bool


def remarks_on(fit: Fit, better: str | None) -> tuple[Remark, ...]:
    """
    Return what is to be said about a fit.

    Parameters
    ----------
    fit
        What was found.
    better
        The form and kinetics that tell the same data clearly better, if any do.

    Notes
    -----
    Thin is a fit from temperatures less than 5 °C apart or from two only, with an interval of the dependence
    on temperature wider than itself, with a life known to a factor of 3 or worse, on fewer than 5 degrees of
    freedom, from scores that went less than 30 % of the way to the limit, or that the replicates contradict
    at 1 %.
    """
    given = fit.trial
    temps_c = np.unique(given.temps_c[given.days > 0])
    low_c, high_c = float(temps_c[0]), float(temps_c[-1])
    rooms = 1 + int(np.sum(np.diff(temps_c) > ONE_TEMPERATURE_C))
    life = fit.life_days
    thin: list[tuple[bool, str, str]] = [
        (
            high_c - low_c < NARROW_SPAN_C,
            "narrow-span",
            f"the temperatures are only {high_c - low_c:.1f} °C apart",
        ),
        (rooms < 3, "two-temperatures", "two temperatures cannot show whether the form holds between them"),
        (
            fit.relative_strength_width > WIDE_STRENGTH,
            "temperature-effect-unsure",
            "the interval of what temperature does is wider than the value itself",
        ),
        (
            life.low is not None and (life.high is None or life.high > WIDE_LIFE * life.low),
            "life-unsure",
            f"the life at {fit.reference_c:g} °C is known to no better than a factor of {WIDE_LIFE:g}",
        ),
        (fit.freedom < FEW_DEGREES, "few-points", f"the errors rest on {fit.freedom} degrees of freedom"),
        (
            fit.way_share < SHORT_WAY,
            "short-trial",
            f"no sample went more than {fit.way_share:.0%} of the way to the limit",
        ),
        (
            fit.lack_of_fit is not None and fit.lack_of_fit.probability < SELDOM,
            "misfit",
            "the curve misses the means of the replicates by more than their scatter allows",
        ),
    ]
    found = [Remark(code, text, True) for is_so, code, text in thin if is_so]
    if fit.residual_sd <= ROUNDING * float(np.max(np.abs(given.scores))):
        text = "the curve goes through every point; measured scores scatter"
        found.append(Remark("no-scatter", text, True))
    text = f"tested at {low_c:g} to {high_c:g} °C; every life colder or warmer than that is an extrapolation"
    found.append(Remark("extrapolated", text, False))
    found += [
        Remark(
            "outlier",
            f"the score {point.score:g} of day {point.day:g} at {point.temp_c:g} °C lies far from the curve",
            False,
        )
        for point in fit.points
        if point.standardised is not None and abs(point.standardised) > FAR_OUT
    ]
    if better is not None:
        found.append(Remark("better-form", f"{better} tells these data clearly better (by AICc)", False))
    return tuple(found)
