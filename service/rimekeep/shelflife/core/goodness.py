"""How well a fit tells its data: residuals, misfit against replicates, and a measure to compare forms by."""

import math

import numpy as np
from scipy import special

from rimekeep.shelflife.core.fitted import LackOfFit, Point
from rimekeep.shelflife.core.laws import Law, expected_scores
from rimekeep.shelflife.core.least_squares import Solution
from rimekeep.shelflife.core.trial import Trial

# A sum of squares this small beside that of the scores is rounding.
ROUNDING = 1e-24


def points_of(given: Trial, law: Law, found: Solution) -> tuple[Point, ...]:
    """Return every observation beside its fitted value."""
    fitted, _ = expected_scores(given, law, found.parameters)
    spread = np.sqrt(found.variance * np.maximum(1 - found.leverage(), 0.0))
    return tuple(
        Point(
            float(temp),
            float(day),
            float(score),
            float(mean),
            float(score - mean),
            float((score - mean) / sd) if sd > 1e-9 * found.variance**0.5 > 0 else None,
        )
        for temp, day, score, mean, sd in zip(
            given.temps_c, given.days, given.scores, fitted, spread, strict=True
        )
    )


def lack_of_fit(given: Trial, found: Solution) -> LackOfFit | None:
    """Compare the misfit with the scatter of replicates; fresh beer is one condition, whatever its room."""
    kept_c = np.where(given.days == 0, 0.0, given.temps_c)
    _, condition = np.unique(np.stack([kept_c, given.days]), axis=1, return_inverse=True)
    counts = np.bincount(condition.ravel())
    replicate_freedom = int(given.scores.size - counts.size)
    misfit_freedom = int(counts.size - found.parameters.size)
    if replicate_freedom < 1 or misfit_freedom < 1:
        return None
    means = np.bincount(condition.ravel(), weights=given.scores) / counts
    rest = given.scores - means[condition.ravel()]
    pure = float(rest @ rest)
    if pure <= ROUNDING * float(given.scores @ given.scores):
        return None
    ratio = max(found.rss - pure, 0.0) / misfit_freedom / (pure / replicate_freedom)
    return LackOfFit(
        ratio,
        misfit_freedom,
        replicate_freedom,
        float(special.fdtrc(misfit_freedom, replicate_freedom, ratio)),
    )


def corrected_aic(given: Trial, found: Solution) -> float | None:
    """Return Akaike's criterion for small samples; None where the sample is too small, or the fit perfect."""
    n, k = given.scores.size, found.parameters.size + 1
    if n - k - 1 < 1 or found.rss <= ROUNDING * float(given.scores @ given.scores):
        return None
    return n * math.log(found.rss / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
