"""
Fits to forced-ageing data: against published laws, against scipy's own fits, and against known truth.

All trials are invented except those computed from a published law, which name it.
"""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq, curve_fit

from builders.checks import records
from builders.trials import TRUE, aged, fitted, true_route
from rimekeep.shelflife.core.calibration import fit_arrhenius
from rimekeep.shelflife.core.forced_fit import fit_forced_ageing
from rimekeep.shelflife.core.life_table import keeping
from rimekeep.shelflife.core.routes import route_from

R = 8.314462618
LAWS = [(form, kinetics) for form in TRUE for kinetics in ("zero-order", "first-order")]

# Published laws


def test_furfural_measured_at_the_published_rates_gives_the_published_law_back() -> None:
    """Kvasný průmysl 24(2) 30-32 (1978), DOI 10.18832/kp1978005: C = A·t·exp(−E/RT), E = 101.8 kJ/mol."""
    daily = records("staling_furfural", "daily_rate")
    assert len(daily) >= 4
    data = [
        (record["inputs"]["temp_c"], day, record["expected"]["ug_per_l_per_day"] * day)
        for record in daily
        for day in (5.0, 10.0, 20.0)
        if -10 <= record["inputs"]["temp_c"] <= 65
    ]
    limit = 100 * 1.13403309695  # 100 days at 20 °C, by the definition of the furfural unit
    fit = fit_forced_ageing(data, direction="rises", limit=limit, reference_c=20, start_score=0)
    assert fit.parameter.value == pytest.approx(101.8, rel=1e-8)
    assert fit.life_days.value == pytest.approx(100.0, rel=1e-8)


@pytest.mark.parametrize("q10", [2, 3])
def test_published_equal_times_give_their_q10_back(q10: int) -> None:
    """Bamforth and Lentini, Beer: A Quality Perspective (2009): 2 weeks at 30 °C are as many at 20, 10 and 0 °C."""
    same = [one for one in records("staling_ratios", "q10_equivalent_time") if one["inputs"]["q10"] == q10]
    ends = {30.0: 14.0} | {
        float(one["inputs"]["target_temp_c"]): 7 * one["expected"]["target_weeks"] for one in same
    }
    data = [(temp_c, day * share, 10 - 6 * share) for temp_c, day in ends.items() for share in (0.5, 1.0)]
    fit = fitted(data, start_score=10.0, form="q10", reference_c=0.0)
    assert fit.parameter.value == pytest.approx(q10, rel=1e-9)
    assert fit.life_days.value == pytest.approx(ends[0.0], rel=1e-9)
    assert (fit.start_score.value, fit.start_score.sd) == (10.0, None)


# Other programs


def formula(form: str, kinetics: str) -> Any:
    """The same law, written down again for scipy.optimize.curve_fit."""

    def score(x: np.ndarray, life: float, parameter: float, start: float) -> np.ndarray:
        temp_c, day = x
        if form == "arrhenius":
            faster = np.exp(-parameter * 1000 / R * (1 / (temp_c + 273.15) - 1 / 293.15))
        elif form == "q10":
            faster = parameter ** ((temp_c - 20) / 10)
        else:
            faster = (np.maximum(temp_c - parameter, 0) / (20 - parameter)) ** 2
        used = day / life * faster
        return np.asarray(
            start + (4 - start) * used if kinetics == "zero-order" else start * (4 / start) ** used
        )

    return score


@pytest.mark.parametrize(("form", "kinetics"), LAWS)
def test_scipy_finds_the_same_values_errors_and_correlation(form: str, kinetics: str) -> None:
    """scipy.optimize.curve_fit on the formula as it stands, without our scaling, derivatives or starting values."""
    data = aged(true_route(form), kinetics=kinetics, scatter=0.2, seed=5)
    fit = fitted(data, form=form, kinetics=kinetics)
    temps_c, days, scores = np.array(data).T
    best, covariance = curve_fit(
        formula(form, kinetics),
        (temps_c, days),
        scores,
        p0=[80.0, TRUE[form][1] * 0.9, 7.5],
        xtol=1e-14,
        ftol=1e-14,
    )
    sds = np.sqrt(np.diag(covariance))
    found = (fit.life_days, fit.parameter, fit.start_score)
    assert [one.value for one in found] == pytest.approx(best, rel=1e-6)
    assert [one.sd for one in found] == pytest.approx(sds, rel=1e-4)
    assert fit.correlation == pytest.approx(covariance[0, 1] / sds[0] / sds[1], abs=1e-4)
    rest = scores - formula(form, kinetics)((temps_c, days), *best)
    assert fit.residual_sd == pytest.approx(math.sqrt(rest @ rest / (scores.size - 3)), rel=1e-8)
    assert [point.residual for point in fit.points] == pytest.approx(rest, abs=1e-6)
    assert fit.r_squared == pytest.approx(1 - rest @ rest / np.sum((scores - scores.mean()) ** 2), rel=1e-9)
    n, k = scores.size, 4
    aicc = n * math.log(rest @ rest / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    assert fit.aicc == pytest.approx(aicc, rel=1e-9)


def test_intervals_are_student_s_and_symmetrical_where_they_should_be() -> None:
    fit = fitted(aged(true_route("arrhenius"), scatter=0.2, seed=2))
    t = stats.t.ppf(0.975, fit.freedom)
    life, energy = fit.life_days, fit.parameter
    assert (fit.freedom, fit.parameters) == (40 - 3, 3)
    assert energy.sd is not None
    assert life.sd is not None
    assert life.high is not None
    assert (energy.low, energy.high) == pytest.approx(
        (energy.value - t * energy.sd, energy.value + t * energy.sd)
    )
    assert (life.low, life.high) == pytest.approx(
        (life.value * math.exp(-t * life.sd / life.value), life.value * math.exp(t * life.sd / life.value))
    )


def test_the_linearised_line_through_the_slopes_agrees_while_the_scatter_is_small() -> None:
    """`fit_arrhenius` on the slope at each temperature, which is checked against published lines of its own."""
    data = aged(true_route("arrhenius"), scatter=0.02, seed=4)
    fit = fitted(data, start_score=8.0)
    temps_c, days, scores = np.array(data).T
    rates = [
        float(days[temps_c == one] @ (8 - scores[temps_c == one]))
        / float(days[temps_c == one] @ days[temps_c == one])
        / 4
        for one in np.unique(temps_c)
    ]
    line = fit_arrhenius(np.unique(temps_c) + 273.15, rates)
    assert fit.parameter.value == pytest.approx(line.activation_kj_mol, rel=0.01)
    assert fit.life_days.value == pytest.approx(1 / line.rate(293.15), rel=0.01)


def test_the_interval_of_the_activation_energy_is_that_of_its_profile_likelihood() -> None:
    """Where the sum of squares, the rest fitted again, has grown by t²·s²: Bates and Watts (1988), ch. 6, from memory."""
    data = aged(true_route("arrhenius"), scatter=0.1, seed=8)
    fit = fitted(data)
    temps_c, days, scores = np.array(data).T
    law = formula("arrhenius", "zero-order")

    def excess(energy: float) -> float:
        (life, start), _ = curve_fit(
            lambda x, life, start: law(x, life, energy, start), (temps_c, days), scores, p0=[90.0, 8.0]
        )
        rest = scores - law((temps_c, days), life, energy, start)
        return float(rest @ rest) / fit.residual_sd**2 - fit.freedom - stats.t.ppf(0.975, fit.freedom) ** 2

    energy = fit.parameter
    assert energy.sd is not None
    low = brentq(excess, energy.value - 5 * energy.sd, energy.value)
    high = brentq(excess, energy.value, energy.value + 5 * energy.sd)
    assert (energy.low, energy.high) == pytest.approx((low, high), abs=0.05 * energy.sd)


# Known truth


@settings(max_examples=60, deadline=None)
@given(
    law=st.sampled_from(LAWS),
    life=st.floats(5, 400),
    strength=st.floats(0, 1),
    is_start_given=st.booleans(),
)
def test_scores_without_scatter_give_the_truth_back(
    law: tuple[str, str], life: float, strength: float, is_start_given: bool
) -> None:
    form, kinetics = law
    low, high = {"arrhenius": (40.0, 140.0), "q10": (1.5, 5.0), "square root": (-15.0, 2.0)}[form]
    parameter = low + strength * (high - low)
    data = aged(
        true_route(form, life, parameter), kinetics=kinetics, temps_c=(5.0, 20.0, 37.0), shares=(0, 0.3, 0.9)
    )
    data = [sample for sample in data if sample[1] == 0 or sample[2] < 8]
    fit = fitted(data, form=form, kinetics=kinetics, start_score=8.0 if is_start_given else None)
    assert fit.life_days.value == pytest.approx(life, rel=1e-6)
    assert fit.parameter.value == pytest.approx(parameter, rel=1e-6, abs=1e-6)
    assert fit.start_score.value == pytest.approx(8, rel=1e-9)


SIMULATED = 400


@pytest.mark.parametrize(("form", "kinetics"), [("arrhenius", "zero-order"), ("q10", "first-order")])
def test_ninety_five_of_a_hundred_intervals_hold_the_truth_and_errors_are_what_they_say(
    form: str, kinetics: str
) -> None:
    """400 simulated trials: three binomial standard errors around 95 %; spread of the estimates as reported."""
    truth = true_route(form)
    fits = [
        fitted(aged(truth, kinetics=kinetics, scatter=0.3, seed=seed), form=form, kinetics=kinetics)
        for seed in range(SIMULATED)
    ]
    room = 3 * math.sqrt(0.95 * 0.05 / SIMULATED)
    for estimates, true in (
        ([fit.life_days for fit in fits], 90.0),
        ([fit.parameter for fit in fits], TRUE[form][1]),
        ([fit.start_score for fit in fits], 8.0),
    ):
        held = sum((one.low or 0) <= true <= (one.high or math.inf) for one in estimates) / SIMULATED
        assert held == pytest.approx(0.95, abs=room)
        values, sds = [one.value for one in estimates], [one.sd or 0 for one in estimates]
        assert np.std(values) == pytest.approx(np.mean(sds), rel=0.12)
    together = np.corrcoef([fit.life_days.value for fit in fits], [fit.parameter.value for fit in fits])[0, 1]
    assert together == pytest.approx(np.mean([fit.correlation for fit in fits]), abs=0.1)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 1000), shift=st.floats(-50, 50), order=st.randoms(use_true_random=False))
def test_neither_order_nor_scale_nor_direction_of_the_score_matters(
    seed: int, shift: float, order: Any
) -> None:
    data = aged(true_route("arrhenius"), scatter=0.2, seed=seed)
    plain = fitted(data)
    turned = [(temp_c, day, shift - 3 * score) for temp_c, day, score in data]
    order.shuffle(turned)
    other = fit_forced_ageing(turned, direction="rises", limit=shift - 12, reference_c=20)
    for name in ("life_days", "parameter"):
        one, same = getattr(plain, name), getattr(other, name)
        assert (one.value, one.sd, one.low, one.high) == pytest.approx(
            (same.value, same.sd, same.low, same.high), rel=1e-5
        )
    assert plain.correlation == pytest.approx(other.correlation, abs=1e-5)
    assert plain.r_squared == pytest.approx(other.r_squared, rel=1e-6)


@pytest.mark.parametrize("form", TRUE)
def test_life_and_its_error_at_another_temperature_are_those_of_a_fit_asked_there(form: str) -> None:
    """The route's standard deviations and correlation carry everything the fit knew (to first order)."""
    data = aged(true_route(form), scatter=0.2, seed=11)
    here, there = fitted(data, form=form), fitted(data, form=form, reference_c=8.0)
    kept = keeping(route_from(here.route("staling", "trial")), 8.0)
    assert kept.days == pytest.approx(there.life_days.value, rel=1e-9)
    assert kept.sd_days == pytest.approx(there.life_days.sd, rel=1e-6)
