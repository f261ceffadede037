"""Non-linear least squares: the smallest sum of squares, and how sure it leaves the parameters."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from rimekeep.errors import Refused, refused
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.wording import say

# The search is only to come near; the steps after it take the last digits.
SEARCH_TOLERANCE = 1e-10
MAX_EVALUATIONS = 2_000
MAX_POLISHING = 30
# Settled: the next step would move no parameter by more than this share of its standard deviation, or size.
SETTLED_SD, SETTLED_SELF = 1e-4, 1e-10
ROUNDING = 1e-6
# Columns of the Jacobian, each brought to length one, must differ by more than rounding.
LEAST_INDEPENDENCE = 1e-8

Function = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class Solution:
    """
    Where the sum of squares is smallest.

    ``covariance`` is s²·(JᵀJ)⁻¹ with s² on ``freedom`` = n − p degrees; all zero for a perfect fit.
    """

    parameters: FloatArray
    residuals: FloatArray
    jacobian: FloatArray
    covariance: FloatArray
    rss: float
    freedom: int

    @property
    def variance(self) -> float:
        """Return the residual variance s²."""
        return self.rss / self.freedom

    def leverage(self) -> FloatArray:
        """Return how much each observation pulls its own fitted value, 0…1, shape (n,)."""
        q, _ = np.linalg.qr(self.jacobian)
        return np.asarray(np.sum(q * q, axis=1))


def minimise(residuals: Function, jacobian: Function, start: FloatArray) -> Solution:
    """
    Return the parameters with the smallest sum of squared residuals, and their covariance.

    Levenberg-Marquardt's search with the columns scaled by the Jacobian, then plain Gauss-Newton steps down
    to rounding.

    Parameters
    ----------
    residuals
        Fitted less observed, shape (n,), from parameters of shape (p,), n > p. May overflow to inf far from
        the solution.
    jacobian
        Its derivatives, shape (n, p).
    start
        Where to begin, shape (p,).

    Returns
    -------
    Solution
        Covariance by linearisation at the solution, with n − p degrees of freedom.

    Raises
    ------
    Refused
        ``fit-not-determined``: some parameters can be traded for each other without changing the fit;
        ``fit-did-not-settle``: the search found no smallest sum.

    References
    ----------
    D. M. Bates and D. G. Watts, *Nonlinear Regression Analysis and Its Applications*, Wiley 1988, ch. 2 (from
    memory).

    Examples
    --------
    >>> x, y = np.array([0.0, 1.0, 2.0, 3.0]), np.array([1.1, 2.9, 5.1, 6.9])
    >>> slopes = np.stack([np.ones(4), x], axis=1)
    >>> line = minimise(lambda b: slopes @ b - y, lambda b: slopes, np.array([0.0, 1.0]))
    >>> line.parameters.round(4).tolist(), np.sqrt(np.diag(line.covariance)).round(4).tolist()
    ([1.06, 1.96], [0.1058, 0.0566])
    """
    with np.errstate(over="ignore", invalid="ignore"):
        begun = residuals(start)
        freedom = begun.size - start.size
        if freedom < 1:
            raise _undetermined()
        if not bool(np.all(np.isfinite(begun))):
            raise _unsettled()
        found = least_squares(
            residuals,
            start,
            jac=jacobian,
            method="lm",
            x_scale="jac",
            xtol=SEARCH_TOLERANCE,
            ftol=SEARCH_TOLERANCE,
            gtol=SEARCH_TOLERANCE,
            max_nfev=MAX_EVALUATIONS,
        )
        parameters, rest = np.asarray(found.x, dtype=np.float64), np.asarray(found.fun, dtype=np.float64)
        for _ in range(MAX_POLISHING):
            slopes = np.asarray(jacobian(parameters), dtype=np.float64)
            step, inverse = _gauss_newton(slopes, rest)
            spread = np.sqrt(np.diag(inverse) * float(rest @ rest) / freedom)
            # The size of each parameter against which a step is next to nothing: its own, or that which moves
            # the curve by as much as the whole of it.
            lengths = np.linalg.norm(slopes, axis=0)
            whole = float(np.max(np.abs(parameters) * lengths)) / lengths
            if bool(np.all(np.abs(step) <= np.maximum(SETTLED_SD * spread, SETTLED_SELF * whole))):
                break
            moved = residuals(parameters + step)
            if not float(moved @ moved) < float(rest @ rest):
                # Rounding keeps the last steps from going down; anything else was no minimum.
                if bool(np.all(np.abs(step) <= ROUNDING * (whole + spread))):
                    break
                raise _unsettled()
            parameters, rest = parameters + step, moved
        else:
            raise _unsettled()
    final = np.asarray(jacobian(parameters), dtype=np.float64)
    rss = float(rest @ rest)
    return Solution(parameters, rest, final, inverse * (rss / freedom), rss, freedom)


def _gauss_newton(jacobian: FloatArray, residuals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the step to the minimum of the linearised problem, and (JᵀJ)⁻¹."""
    lengths = np.linalg.norm(jacobian, axis=0)
    if not bool(np.all(np.isfinite(lengths) & (lengths > 0))):
        raise _undetermined()
    u, sizes, vt = np.linalg.svd(jacobian / lengths, full_matrices=False)
    if sizes[-1] <= LEAST_INDEPENDENCE * sizes[0]:
        raise _undetermined()
    step = -(vt.T @ ((u.T @ residuals) / sizes)) / lengths
    half = (vt.T / sizes) / lengths[:, None]
    return step, half @ half.T


def _undetermined() -> Refused:
    return refused(
        "fit-not-determined",
        "observations",
        say("The data cannot tell the parameters apart: different values fit them equally well."),
        say("Add samples at other days and temperatures."),
    )


def _unsettled() -> Refused:
    return refused(
        "fit-did-not-settle",
        "observations",
        say("No curve of this form fits the data better than every other."),
        say("Check the data, or try another form."),
    )
