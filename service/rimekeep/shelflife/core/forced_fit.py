"""From forced ageing to a life and its dependence on temperature, with how sure they are."""

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

from rimekeep.errors import Refused, refused
from rimekeep.shelflife.core.fitted import Estimate, Fit
from rimekeep.shelflife.core.goodness import corrected_aic, lack_of_fit, points_of
from rimekeep.shelflife.core.kinetics import FloatArray, check_reference
from rimekeep.shelflife.core.laws import LAWS, Form, Law, expected_scores
from rimekeep.shelflife.core.least_squares import Solution, minimise
from rimekeep.shelflife.core.slopes import SIGNIFICANT, Slopes, check_sense, slopes_of
from rimekeep.shelflife.core.trial import Direction, Kinetics, Trial, nothing_moved, trial, wrong_side
from rimekeep.units import KELVIN_OFFSET
from rimekeep.wording import say

CONFIDENCE = 0.95
# A century, as everywhere in ageing: beyond it a date says nothing.
LONGEST_DAYS = 36_500.0
LARGEST_LOG = 100.0
# Below it the warmest room is as fast as the coldest, but for rounding.
LEAST_EFFECT = 1e-6


def fit_forced_ageing(
    observations: Sequence[tuple[float, float, float]],
    *,
    direction: Direction | str,
    limit: float,
    reference_c: float,
    start_score: float | None = None,
    kinetics: Kinetics | str = Kinetics.ZERO_ORDER,
    form: Form | str = Form.ARRHENIUS,
) -> Fit:
    """
    Return the life and its dependence on temperature that forced-ageing data give.

    ``score(t) = s₀ + (limit − s₀)·t·r(T)`` (zero-order) or ``s₀·(limit/s₀)^(t·r(T))`` (first-order), with
    ``r = 1/life`` by Arrhenius' law, a constant Q10 or the square-root law, by non-linear least squares of
    the scores with errors of one size.

    Parameters
    ----------
    observations
        Temperature, day and score of each sample, replicates as often as measured. [°C, days, any one scale]
    direction
        ``"falls"`` or ``"rises"``: where the score goes as the beer ages.
    limit
        Score at which the beer counts as spent.
    reference_c
        Where the life is asked for, −60…120. [°C]
    start_score
        Score of fresh beer; None: fitted, one for all temperatures.
    kinetics
        ``"zero-order"`` or ``"first-order"``.
    form
        ``"arrhenius"``, ``"q10"`` or ``"square root"``.

    Returns
    -------
    Fit
        Standard deviations by linearisation at the solution, 95 % intervals by Student's t on n − p degrees
        of freedom, symmetrical in ln life, E, ln Q10, 1/(T_c − T_min) and the start score (its logarithm in
        first-order kinetics).

    Raises
    ------
    Invalid
        A value cannot be meant.
    Refused
        The data cannot carry the fit: ``one-temperature``, ``too-few-points``, ``score-improves``,
        ``nothing-moved``, ``slower-when-warmer``, ``warmth-without-effect``, ``limit-behind-start``,
        ``endless-life``, ``fit-not-determined``, ``fit-did-not-settle``.

    References
    ----------
    W. Q. Meeker and L. A. Escobar, *Statistical Methods for Reliability Data*, Wiley 1998, on accelerated
    degradation tests (from memory). Score = A·exp(−E/RT)·t: Kvasný průmysl 24(2) 30-32 (1978),
    DOI 10.18832/kp1978005.

    Examples
    --------
    >>> data = [(4, 0, 7.0), (20, 30, 6.0), (20, 60, 5.1), (30, 10, 6.0), (30, 20, 4.9), (37, 5, 5.8)]
    >>> fit = fit_forced_ageing(data, direction="falls", limit=4, reference_c=20)
    >>> round(fit.life_days.value, 1), round(fit.parameter.value, 1), fit.freedom
    (94.6, 88.5, 3)
    """
    given = trial(
        observations,
        direction=Direction(direction),
        limit=limit,
        start_score=start_score,
        kinetics=Kinetics(kinetics),
    )
    return fit_trial(given, Form(form), reference_c)


def fit_trial(given: Trial, form: Form, reference_c: float) -> Fit:
    """Return the fit of checked data; see `fit_forced_ageing`."""
    check_reference(reference_c, 1.0)
    slopes = slopes_of(given)
    check_sense(given, slopes)
    law = LAWS[form](_middle_c(given))
    try:
        found = minimise(
            lambda p: expected_scores(given, law, p)[0] - given.scores,
            lambda p: expected_scores(given, law, p)[1],
            _start(given, law, slopes),
        )
    except Refused:
        if slopes.moved_p > SIGNIFICANT:
            raise nothing_moved() from None
        raise
    _check_found(given, law, found)
    return _report(given, law, found, reference_c)


def _middle_c(given: Trial) -> float:
    later = given.temps_c[given.days > 0]
    return float(1 / np.mean(1 / (later + KELVIN_OFFSET))) - KELVIN_OFFSET


def _start(given: Trial, law: Law, slopes: Slopes) -> FloatArray:
    """Return where to begin: the form's straight line through the rates at each temperature."""
    limit, start = given.limit, slopes.start
    if given.kinetics is Kinetics.FIRST_ORDER:
        limit, start = math.log(limit), math.log(start)
    forward = slopes.rates > 1e-6 * slopes.rates.max()
    rates = slopes.rates[forward] / abs(limit - start)
    x, y, y_by_rate = law.line(rates, slopes.temps_c[forward])
    weights = 1 / (y_by_rate**2 * np.diag(slopes.spread)[forward])
    mean_x, mean_y = np.average(x, weights=weights), np.average(y, weights=weights)
    spread = float(weights @ (x - mean_x) ** 2)
    slope = float(weights @ ((x - mean_x) * (y - mean_y))) / spread if spread > 0 else 0.0
    log_life, strength = law.start(float(mean_y - slope * mean_x), slope)
    return np.array([log_life, strength] if given.start_score is not None else [log_life, strength, start])


def _check_found(given: Trial, law: Law, found: Solution) -> None:
    later = given.temps_c[given.days > 0]
    ends_c = np.array([later.min(), later.max()])
    cold, warm = law.speed(ends_c, float(found.parameters[1]))[0]
    if not warm > cold * (1 + LEAST_EFFECT):
        raise refused(
            "warmth-without-effect",
            "observations",
            say("These data do not show that the beer ages faster where it is warmer."),
            say("Add warmer or colder samples, or more of them."),
        )
    rest = given.scores - (given.scores.mean() if given.start_score is None else given.start_score)
    still = float(rest @ rest)
    if found.rss > 0:
        ratio = (still - found.rss) / 2 / found.variance
        if float(special.fdtrc(2, found.freedom, max(ratio, 0.0))) > SIGNIFICANT:
            raise nothing_moved()


def _report(given: Trial, law: Law, found: Solution, reference_c: float) -> Fit:
    log_life, strength = float(found.parameters[0]), float(found.parameters[1])
    speed, by_strength = (
        float(part[0]) for part in law.speed(np.array([reference_c], dtype=np.float64), strength)
    )
    if not speed > 0:
        raise refused(
            "endless-life",
            "reference_c",
            say(
                "By this fit nothing grows at {reference_c:g} °C, so that life has no end there.",
                reference_c=reference_c,
            ),
            say("Ask for a warmer reference temperature."),
            {"t_min_c": law.parameter(strength)},
        )
    t = float(special.stdtrit(found.freedom, (1 + CONFIDENCE) / 2))
    # From the fitted parameters to ln life at the reference and the form's own parameter.
    turn: FloatArray = np.eye(found.parameters.size)
    turn[0, 1] = -by_strength / speed
    turn[1, 1] = law.parameter_slope(strength)
    covariance = turn @ found.covariance @ turn.T
    sds = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    life = math.exp(min(log_life - math.log(speed), LARGEST_LOG))
    if life > LONGEST_DAYS:
        raise refused(
            "endless-life",
            "reference_c",
            say(
                "Life at {reference_c:g} °C comes out as {life:.3g} days, more than {LONGEST_DAYS:g}.",
                reference_c=reference_c,
                life=life,
                LONGEST_DAYS=LONGEST_DAYS,
            ),
            say("Ask for a warmer reference temperature."),
        )
    half = t * math.sqrt(found.covariance[1, 1])
    ends = [
        law.parameter(end) if end > 0 or law.form is not Form.SQUARE_ROOT else None
        for end in (strength - half, strength + half)
    ]
    start = _start_score(given, found, t)
    scatter = given.scores - given.scores.mean()
    return Fit(
        trial=given,
        form=law.form,
        reference_c=reference_c,
        life_days=Estimate(
            life,
            life * float(sds[0]),
            life * math.exp(-t * sds[0]),
            life * math.exp(t * sds[0]) if t * sds[0] < LARGEST_LOG else None,
        ),
        parameter=Estimate(law.parameter(strength), float(sds[1]), ends[0], ends[1]),
        start_score=start,
        correlation=_correlation(covariance),
        relative_strength_width=2 * half / strength,
        points=points_of(given, law, found),
        parameters=found.parameters.size,
        freedom=found.freedom,
        residual_sd=math.sqrt(found.variance),
        r_squared=1 - found.rss / float(scatter @ scatter),
        way_share=_way_share(given, law, found),
        lack_of_fit=lack_of_fit(given, found),
        aicc=corrected_aic(given, found),
    )


def _start_score(given: Trial, found: Solution, t: float) -> Estimate:
    if given.start_score is not None:
        return Estimate(given.start_score, None, None, None)
    value, sd = float(found.parameters[2]), math.sqrt(found.covariance[2, 2])
    low, high = value - t * sd, value + t * sd
    if given.kinetics is Kinetics.FIRST_ORDER:
        value, low, high = math.exp(value), math.exp(low), math.exp(high)
        sd *= value
    if given.sign * (given.limit - value) <= 0:
        raise wrong_side(given, value)
    return Estimate(value, sd, low, high)


def _correlation(covariance: FloatArray) -> float:
    size = math.sqrt(covariance[0, 0] * covariance[1, 1])
    return float(np.clip(covariance[0, 1] / size, -1, 1)) if size > 0 else 0.0


def _way_share(given: Trial, law: Law, found: Solution) -> float:
    """Return how much of the way to the limit the sample went that went farthest, as fitted."""
    speed, _ = law.speed(given.temps_c, float(found.parameters[1]))
    return float(np.max(given.days * speed) * math.exp(-found.parameters[0]))
