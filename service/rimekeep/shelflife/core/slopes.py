"""
What forced-ageing data say before any law of ageing is laid over them, and whether they say enough.

A straight line at each temperature, from one common start, of the score or (first-order) its logarithm.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from rimekeep.errors import refused
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.trial import Kinetics, Trial, nothing_moved, wrong_side
from rimekeep.wording import say

# Rooms this near each other count as one temperature: no chamber holds better.
ONE_TEMPERATURE_C = 0.5
# One-sided, shared among all temperatures looked at.
SIGNIFICANT = 0.05
LARGEST_LOG = 300.0


@dataclass(frozen=True, slots=True)
class Slopes:
    """
    Straight lines from one common start, one for each temperature.

    Rates are towards the limit, of the score or its logarithm, shape (k,). ``spread`` is their covariance
    without the residual variance, which is ``variance`` on ``freedom`` degrees (None on no degree).
    [°C, 1/day]
    """

    temps_c: FloatArray
    rates: FloatArray
    spread: FloatArray
    start: float
    variance: float | None
    freedom: int
    moved_p: float


def slopes_of(given: Trial) -> Slopes:
    """
    Return the straight lines through the data.

    Raises
    ------
    Refused
        Fewer than two temperatures were tried, or too few points for the parameters.
    """
    group, temps_c = _temperatures(given)
    needed = 2 if given.start_score is not None else 3
    if temps_c.size < 2:
        raise refused(
            "one-temperature",
            "observations",
            say("All samples with a day above 0 were kept at one temperature."),
            say("Add a temperature: without it nobody knows what warmth costs."),
            {"temperatures_c": temps_c.tolist()},
        )
    conditions = {
        (0.0 if day == 0 else temp, day) for temp, day in zip(given.temps_c, given.days, strict=True)
    }
    if given.start_score is not None:
        conditions = {condition for condition in conditions if condition[1] > 0}
    if given.scores.size < needed + 1 or len(conditions) < needed:
        raise refused(
            "too-few-points",
            "observations",
            say(
                "{size} points on {n} conditions cannot carry {needed} parameters and an error.",
                size=given.scores.size,
                n=len(conditions),
                needed=needed,
            ),
            say(
                "Measure {needed} samples or more, on {needed_2} or more different days and temperatures.",
                needed=needed + 1,
                needed_2=needed,
            ),
            {"points": int(given.scores.size), "parameters": needed},
        )
    score = given.scores * given.sign
    start = given.start_score
    if given.kinetics is Kinetics.FIRST_ORDER:
        score = np.log(given.scores) * given.sign
        start = None if start is None else float(np.log(start))
    design = np.zeros((score.size, temps_c.size))
    later = group >= 0
    design[later, group[later]] = given.days[later]
    resting: FloatArray = np.asarray(score - score.mean())
    if start is None:
        design = np.column_stack([design, np.ones(score.size)])
    else:
        score = score - given.sign * start
        resting = score
    # Columns of one length, so that days of seconds beside days of years lose no digits.
    lengths = np.linalg.norm(design, axis=0)
    design = design / lengths
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise refused(
            "too-few-points",
            "observations",
            say("Nothing was scored on day 0, and no temperature on two days."),
            say("Score fresh beer too, or give its start score."),
        )
    inverse = np.linalg.pinv(design.T @ design)
    found = inverse @ (design.T @ score)
    rest = score - design @ found
    found = found / lengths
    spread = inverse / np.outer(lengths, lengths)
    freedom = score.size - design.shape[1]
    rss = _square(rest, score)
    variance = rss / freedom if freedom > 0 else None
    intercept = given.sign * float(found[-1]) if start is None else start
    k = temps_c.size
    return Slopes(
        temps_c,
        np.asarray(found[:k]),
        np.asarray(spread[:k, :k], dtype=np.float64),
        _exp(intercept) if given.kinetics is Kinetics.FIRST_ORDER else intercept,
        variance,
        freedom,
        _moved_p(_square(resting, score), rss, k, freedom),
    )


def _exp(intercept: float) -> float:
    # A start read off far-away logarithms may be no score at all; it only has to stay a number.
    return math.exp(min(max(intercept, -LARGEST_LOG), LARGEST_LOG))


def _square(rest: FloatArray, score: FloatArray) -> float:
    """Return the sum of squares, zero where it is but rounding."""
    total = float(rest @ rest)
    return total if total > 1e-24 * float(score @ score) else 0.0


def _temperatures(given: Trial) -> tuple[NDArray[np.intp], FloatArray]:
    """Return which temperature each sample was kept at (−1 for day 0), and their means."""
    group = np.full(given.days.size, -1)
    later = np.flatnonzero(given.days > 0)
    order = later[np.argsort(given.temps_c[later], kind="stable")]
    if not order.size:
        return group, np.zeros(0)
    begins, current = given.temps_c[order[0]], 0
    for place in order:
        if given.temps_c[place] - begins > ONE_TEMPERATURE_C:
            begins, current = given.temps_c[place], current + 1
        group[place] = current
    means = [float(given.temps_c[group == number].mean()) for number in range(current + 1)]
    return group, np.array(means)


def _moved_p(resting: float, rss: float, lines: int, freedom: int) -> float:
    """Return how likely scores that never moved would look like this, by the F test of all the slopes."""
    if resting == 0:
        return 1.0
    if freedom < 1 or rss == 0:
        return 0.0
    ratio = max(resting - rss, 0.0) / lines / (rss / freedom)
    return float(special.fdtrc(lines, freedom, ratio))


def check_sense(given: Trial, slopes: Slopes) -> None:
    """
    Refuse data that say the opposite of ageing, or nothing.

    Raises
    ------
    Refused
        ``score-improves`` with time at some temperature, ``nothing-moved``, or ``slower-when-warmer``; each
        only when significant at 5 % (one-sided t test, shared among the temperatures), or when the data leave
        no measure of chance and say so on their face.
    """
    if slopes.moved_p >= 1:
        raise nothing_moved()
    errors = np.sqrt(np.maximum(np.diag(slopes.spread), 0.0) * (slopes.variance or 0.0))
    count = slopes.rates.size
    critical = float(-special.stdtrit(slopes.freedom, SIGNIFICANT / count)) if slopes.freedom > 0 else 0.0
    worst = int(np.argmin(slopes.rates + critical * errors))
    if slopes.rates[worst] + critical * errors[worst] < 0 and _is_real(slopes.rates[worst], slopes):
        raise refused(
            "score-improves",
            "observations",
            say("At {temps_c:.1f} °C the score gets better with time.", temps_c=slopes.temps_c[worst]),
            say("Check the direction, and whether days or samples were mixed up."),
            {"temp_c": float(slopes.temps_c[worst])},
        )
    if slopes.rates.max() <= 0:
        raise nothing_moved()
    if given.sign * (given.limit - slopes.start) <= 0:
        raise wrong_side(given, slopes.start)
    leaning = slopes.temps_c - slopes.temps_c.mean()
    rise = float(leaning @ slopes.rates)
    error = float(np.sqrt(max(leaning @ slopes.spread @ leaning, 0.0) * (slopes.variance or 0.0)))
    critical = float(-special.stdtrit(slopes.freedom, SIGNIFICANT)) if slopes.freedom > 0 else 0.0
    if rise + critical * error < 0:
        raise refused(
            "slower-when-warmer",
            "observations",
            say("The score moves more slowly where it is warmer."),
            say("Check whether temperatures were mixed up, or scores ran into the end of their scale."),
        )


def _is_real(rate: float, slopes: Slopes) -> bool:
    """Tell a slope from rounding."""
    return bool(abs(rate) > 1e-9 * np.max(np.abs(slopes.rates)))
