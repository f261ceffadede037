"""What is to be said about a fit to forced-ageing data, and what makes it thin."""

from dataclasses import dataclass

import numpy as np

from rimekeep.shelflife.core.fitted import Fit
from rimekeep.shelflife.core.slopes import ONE_TEMPERATURE_C
from rimekeep.wording import say

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
            say("the temperatures are only {apart_k:.1f} °C apart", apart_k=high_c - low_c),
        ),
        (
            rooms < 3,
            "two-temperatures",
            say("two temperatures cannot show whether the form holds between them"),
        ),
        (
            fit.relative_strength_width > WIDE_STRENGTH,
            "temperature-effect-unsure",
            say("the interval of what temperature does is wider than the value itself"),
        ),
        (
            life.low is not None and (life.high is None or life.high > WIDE_LIFE * life.low),
            "life-unsure",
            say(
                "the life at {reference_c:g} °C is known to no better than a factor of {WIDE_LIFE:g}",
                reference_c=fit.reference_c,
                WIDE_LIFE=WIDE_LIFE,
            ),
        ),
        (
            fit.freedom < FEW_DEGREES,
            "few-points",
            say("the errors rest on {freedom} degrees of freedom", freedom=fit.freedom),
        ),
        (
            fit.way_share < SHORT_WAY,
            "short-trial",
            say("no sample went more than {way_share:.0%} of the way to the limit", way_share=fit.way_share),
        ),
        (
            fit.lack_of_fit is not None and fit.lack_of_fit.probability < SELDOM,
            "misfit",
            say("the curve misses the means of the replicates by more than their scatter allows"),
        ),
    ]
    found = [Remark(code, text, True) for is_so, code, text in thin if is_so]
    if fit.residual_sd <= ROUNDING * float(np.max(np.abs(given.scores))):
        text = say("the curve goes through every point; measured scores scatter")
        found.append(Remark("no-scatter", text, True))
    text = say(
        "tested at {low_c:g} to {high_c:g} °C; every life colder or warmer than that is an extrapolation",
        low_c=low_c,
        high_c=high_c,
    )
    found.append(Remark("extrapolated", text, False))
    found += [
        Remark(
            "outlier",
            say(
                "the score {score:g} of day {day:g} at {temp_c:g} °C lies far from the curve",
                score=point.score,
                day=point.day,
                temp_c=point.temp_c,
            ),
            False,
        )
        for point in fit.points
        if point.standardised is not None and abs(point.standardised) > FAR_OUT
    ]
    if better is not None:
        found.append(
            Remark(
                "better-form", say("{better} tells these data clearly better (by AICc)", better=better), False
            )
        )
    return tuple(found)
