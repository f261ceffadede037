"""The least-squares core against certified values and another program's fits."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from builders.checks import by_id, records
from rimekeep.errors import Refused
from rimekeep.shelflife.core.least_squares import minimise


def meyer(x: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.asarray(b[0] * np.exp(b[1] / (x + b[2])))


def meyer_slopes(x: np.ndarray, b: np.ndarray) -> np.ndarray:
    growth = np.exp(b[1] / (x + b[2]))
    return np.stack([growth, b[0] * growth / (x + b[2]), -b[0] * b[1] * growth / (x + b[2]) ** 2], axis=1)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("record", records("arrhenius_fits", "nonlinear_fit"), ids=by_id)
def test_a_certified_fit_of_higher_difficulty_is_reached_from_both_certified_starts(
    record: dict[str, Any], start: int
) -> None:
    """NIST StRD, nonlinear regression, MGH10: parameters, their standard deviations, the residual sum of squares."""
    asked, expected, rel = record["inputs"], record["expected"], record["tolerance"]["rel"]
    x, y = np.array(asked["x"]), np.array(asked["y"])
    found = minimise(
        lambda b: meyer(x, b) - y, lambda b: meyer_slopes(x, b), np.array(asked["starts"][start], dtype=float)
    )
    assert found.parameters == pytest.approx([expected[f"b{k}"] for k in (1, 2, 3)], rel=rel)
    sds = np.sqrt(np.diag(found.covariance))
    assert sds == pytest.approx([expected[f"sd_b{k}"] for k in (1, 2, 3)], rel=rel)
    assert found.rss == pytest.approx(expected["residual_sum_of_squares"], rel=rel)
    assert np.sqrt(found.variance) == pytest.approx(expected["residual_sd"], rel=rel)
    assert found.leverage().sum() == pytest.approx(3)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), rate=st.floats(0.05, 0.5), scatter=st.floats(0.001, 0.2))
def test_any_decay_is_fitted_as_scipy_does(seed: int, rate: float, scatter: float) -> None:
    """scipy.optimize.curve_fit, whose covariance is finite-difference."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 10, 25)
    y = 5 * np.exp(-rate * x) + scatter * rng.standard_normal(x.size)
    found = minimise(
        lambda b: b[0] * np.exp(-b[1] * x) - y,
        lambda b: np.stack([np.exp(-b[1] * x), -b[0] * x * np.exp(-b[1] * x)], axis=1),
        np.array([4.0, 0.2]),
    )
    best, covariance = curve_fit(lambda x, a, k: a * np.exp(-k * x), x, y, p0=[4.0, 0.2])
    assert found.parameters == pytest.approx(best, rel=1e-4, abs=1e-6)
    assert found.covariance == pytest.approx(covariance, rel=1e-3, abs=1e-12)


def test_a_straight_line_is_what_the_normal_equations_say() -> None:
    x, y = np.arange(6.0), np.array([1.0, 2.2, 2.8, 4.1, 5.2, 5.8])
    slopes = np.stack([np.ones(6), x], axis=1)
    found = minimise(lambda b: slopes @ b - y, lambda b: slopes, np.zeros(2))
    line, covariance = np.polyfit(x, y, 1, cov="unscaled")
    assert found.parameters[::-1] == pytest.approx(line, rel=1e-12)
    assert found.covariance[::-1, ::-1] == pytest.approx(covariance * found.variance, rel=1e-10)
    assert found.freedom == 4


def test_a_perfect_line_through_nothing_settles() -> None:
    x = np.arange(5.0)
    slopes = np.stack([np.ones(5), x], axis=1)
    found = minimise(lambda b: slopes @ b - 2 * x, lambda b: slopes, np.array([3.0, 1.0]))
    assert found.parameters == pytest.approx([0, 2], abs=1e-12)
    assert found.rss == pytest.approx(0, abs=1e-24)


def test_parameters_that_can_be_traded_are_not_told_apart() -> None:
    x = np.arange(6.0)
    slopes = np.stack([x, 2 * x], axis=1)
    with pytest.raises(Refused) as caught:
        minimise(lambda b: slopes @ b - x, lambda b: slopes, np.ones(2))
    assert caught.value.code == "fit-not-determined"
    with pytest.raises(Refused) as caught:
        minimise(lambda b: slopes[:2] @ b, lambda b: slopes[:2], np.ones(2))
    assert caught.value.code == "fit-not-determined"


def test_a_curve_without_a_best_is_refused() -> None:
    """e^(−b·x) to zeros: ever larger b is ever better."""
    x = np.arange(1.0, 5.0)
    with pytest.raises(Refused) as caught:
        minimise(lambda b: np.exp(-b[0] * x), lambda b: (-x * np.exp(-b[0] * x))[:, None], np.array([1.0]))
    assert caught.value.code in {"fit-did-not-settle", "fit-not-determined"}
