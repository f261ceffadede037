"""What is said about a fit to forced-ageing data, and which data are refused. All trials are invented."""

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from builders.trials import Data, aged, fitted, true_route
from rimekeep.errors import Invalid, Refused
from rimekeep.shelflife.core.calibration import calibrate
from rimekeep.shelflife.core.routes import route_from

# Replicates, forms, remarks


def test_lack_of_fit_is_the_textbook_f_and_names_the_misfit() -> None:
    """F = (SS misfit/(m − p)) / (SS within/(n − m)): Draper and Smith, Applied Regression Analysis (from memory)."""
    curved = aged(
        true_route("arrhenius"), kinetics="first-order", scatter=0.05, seed=3, limit=1.5, replicates=3
    )
    found = calibrate(curved, direction="falls", limit=1.5, reference_c=20)
    groups: dict[tuple[float, float], list[float]] = {}
    for temp_c, day, score in curved:
        groups.setdefault((0.0 if day == 0 else temp_c, day), []).append(score)
    within = sum(float(np.sum((np.array(one) - np.mean(one)) ** 2)) for one in groups.values())
    total = found.fit.residual_sd**2 * found.fit.freedom
    n, m = len(curved), len(groups)
    f = (total - within) / (m - 3) / (within / (n - m))
    lack = found.fit.lack_of_fit
    assert lack is not None
    assert (lack.f, lack.misfit_freedom, lack.replicate_freedom) == pytest.approx((f, m - 3, n - m), rel=1e-6)
    assert lack.probability == pytest.approx(stats.f.sf(f, m - 3, n - m))
    codes = {remark.code for remark in found.remarks}
    assert {"misfit", "better-form"} <= codes
    assert found.is_thin
    assert found.best is not None
    assert (found.best.kinetics, found.best.form) == ("first-order", "arrhenius")
    assert (found.fit.trial.kinetics, found.fit.form) == ("zero-order", "arrhenius")


def test_a_true_form_is_not_called_a_misfit_more_often_than_agreed() -> None:
    found = [fitted(aged(true_route("arrhenius"), scatter=0.2, seed=seed)).lack_of_fit for seed in range(200)]
    called = sum(lack is not None and lack.probability < 0.05 for lack in found) / 200
    assert called == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / 200))


def test_every_form_is_tried_and_the_best_is_told_but_not_taken() -> None:
    found = calibrate(
        aged(true_route("square root"), scatter=0.05), direction="falls", limit=4, reference_c=20, form="q10"
    )
    assert [(one.kinetics, one.form) for one in found.alternatives] == [
        (kinetics, form)
        for kinetics in ("zero-order", "first-order")
        for form in ("arrhenius", "q10", "square root")
    ]
    assert found.fit.form == "q10"
    assert found.best is not None
    assert found.best.form == "square root"
    told = [remark.text for remark in found.remarks if remark.code == "better-form"]
    assert told == ["zero-order, square root tells these data clearly better (by AICc)"]


def test_first_order_is_not_tried_where_scores_pass_zero() -> None:
    data = [(temp, day, score - 6) for temp, day, score in aged(true_route("arrhenius"), scatter=0.1)]
    found = calibrate(data, direction="falls", limit=-2, reference_c=20)
    tried = {one.refused for one in found.alternatives if one.kinetics == "first-order"}
    assert tried == {"invalid-input"}


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"temps_c": (33.0, 35.0, 37.0)}, "narrow-span"),
        ({"temps_c": (20.0, 37.0)}, "two-temperatures"),
        ({"temps_c": (34.0, 36.0, 38.0), "scatter": 0.9, "seed": 3}, "temperature-effect-unsure"),
        ({"temps_c": (4.0, 20.0, 37.0), "replicates": 1, "shares": (0.5, 1.0)}, "few-points"),
        ({"shares": (0.0, 0.05, 0.1, 0.2), "scatter": 0.05}, "short-trial"),
        ({"scatter": 0.0}, "no-scatter"),
    ],
)
def test_thin_data_are_taken_and_say_why(changed: dict[str, Any], code: str) -> None:
    facts: dict[str, Any] = {"scatter": 0.1, "seed": 1, **changed}
    found = calibrate(aged(true_route("arrhenius"), **facts), direction="falls", limit=4, reference_c=20)
    assert found.is_thin
    assert code in {remark.code for remark in found.remarks if remark.is_thin}


def test_far_from_what_was_tested_the_life_is_called_unsure() -> None:
    data = aged(true_route("arrhenius"), temps_c=(30.0, 34.0, 38.0), scatter=0.5, seed=3)
    found = calibrate(data, direction="falls", limit=4, reference_c=2)
    assert "life-unsure" in {remark.code for remark in found.remarks}


def test_good_data_are_not_thin_and_still_say_where_they_end() -> None:
    found = calibrate(
        aged(true_route("arrhenius"), scatter=0.1, seed=1), direction="falls", limit=4, reference_c=20
    )
    assert not found.is_thin
    assert [remark.code for remark in found.remarks] == ["extrapolated"]
    assert "4 to 37 °C" in found.remarks[0].text


def test_a_score_far_from_the_curve_is_named() -> None:
    data = aged(true_route("arrhenius"), scatter=0.05, seed=1)
    data[12] = (data[12][0], data[12][1], data[12][2] + 2)
    found = calibrate(data, direction="falls", limit=4, reference_c=20)
    told = [remark.text for remark in found.remarks if remark.code == "outlier"]
    assert len(told) == 1
    assert f"{data[12][0]:g} °C" in told[0]


# Refusals

GOOD = aged(true_route("arrhenius"), scatter=0.1, seed=1)


@pytest.mark.parametrize(
    ("data", "changed", "code"),
    [
        ([one for one in GOOD if one[0] == 37.0], {}, "one-temperature"),
        ([(20.3 if one[0] == 20 else 20.0, *one[1:]) for one in GOOD if one[0] in (20.0, 30.0)], {}, "one-temperature"),
        ([], {}, "one-temperature"),
        ([(20, 10, 7.0), (30, 10, 6.0), (37, 10, 5.0)], {}, "too-few-points"),
        ([(20, 10, 7.0), (30, 10, 6.0)], {"start_score": 8.0}, "too-few-points"),
        ([(20, 10, 7.0), (20, 10, 7.1), (30, 10, 6.0), (37, 10, 5.0)], {}, "too-few-points"),
        ([(4, 0, 8.0), (4, 0, 8.1), (20, 0, 8.0), (30, 0, 7.9)], {}, "one-temperature"),
        ([(temp_c, day, 16 - score) for temp_c, day, score in GOOD], {}, "score-improves"),
        ([(temp_c, day, 16 - score if temp_c == 20 else score) for temp_c, day, score in GOOD], {}, "score-improves"),
        ([(41.0 - temp_c, day, score) for temp_c, day, score in GOOD], {}, "slower-when-warmer"),
        ([(temp_c, day, 8.0) for temp_c, day, _ in GOOD], {}, "nothing-moved"),
        ([(temp_c, day, 8.0 - 0.04 * day) for temp_c, day, _ in GOOD], {}, "warmth-without-effect"),
        (GOOD, {"limit": 9.0}, "limit-behind-start"),
        (GOOD, {"start_score": 3.0}, "limit-behind-start"),
        (GOOD, {"form": "square root", "reference_c": -30.0}, "endless-life"),
        (GOOD, {"reference_c": -60.0}, "endless-life"),
    ],
)  # fmt: skip
def test_data_that_cannot_carry_the_fit_are_refused_with_what_to_do(
    data: Data, changed: dict[str, Any], code: str
) -> None:
    with pytest.raises(Refused) as caught:
        fitted(data, **changed)
    assert caught.value.code == code
    assert caught.value.faults[0].mend


def test_chance_alone_is_seldom_taken_for_ageing() -> None:
    """Scores that only scatter: refused but for about the 5 % of the test."""
    taken = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        flat = [(temp_c, day, 8 + 0.3 * float(rng.standard_normal())) for temp_c, day, _ in GOOD]
        try:
            fitted(flat)
        except Refused:
            continue
        taken += 1
    assert taken / 200 <= 0.06


@pytest.mark.parametrize("place", [0, 17])
@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ((math.nan, 1.0, 5.0), "temp_c"),
        ((86.0, 1.0, 5.0), "temp_c"),
        ((20.0, -1.0, 5.0), "day"),
        ((20.0, math.inf, 5.0), "day"),
        ((20.0, 1.0, math.nan), "score"),
    ],
)
def test_a_value_nobody_can_mean_is_named_with_its_place(
    place: int, wrong: tuple[float, float, float], field: str
) -> None:
    data = list(GOOD)
    data[place] = wrong
    with pytest.raises(Invalid) as caught:
        fitted(data)
    assert caught.value.faults[0].field == f"observations[{place}].{field}"
    assert caught.value.faults[0].mend


def test_first_order_needs_everything_above_zero() -> None:
    for changed, field in (({"limit": 0.0}, "limit"), ({"start_score": -1.0, "limit": -2.0}, "limit")):
        with pytest.raises(Invalid) as caught:
            fitted(GOOD, kinetics="first-order", **changed)
        assert caught.value.faults[0].field == field
    with pytest.raises(Invalid) as caught:
        fitted([*GOOD, (37.0, 30.0, 0.0)], kinetics="first-order")
    assert caught.value.faults[0].field == f"observations[{len(GOOD)}].score"


def test_too_many_samples_are_refused_at_once() -> None:
    with pytest.raises(Invalid):
        fitted([(20.0, 1.0, 5.0)] * 2001)


def test_whatever_is_sent_is_fitted_or_refused_in_plain_words() -> None:
    """Random nonsense of every size: never another error, never a number that is none."""
    rng = np.random.default_rng(7)
    taken = 0
    words = []
    for _ in range(300):
        n = int(rng.integers(1, 25))
        temps_c = rng.choice([4.0, 20.0, 20.2, 30.0, 37.0, 60.0], n)
        days = np.round(rng.choice([0.0, 1.0, 1e-6, 7.0, 30.0, 3650.0], n), 6)
        scores = 8 - rng.choice([0.0, 1e-3, 0.1, 100.0]) * days * rng.uniform(0, 1, n) + rng.normal(0, 0.5, n)
        try:
            found = calibrate(
                list(zip(temps_c, days, scores, strict=True)),
                direction="falls",
                limit=float(rng.choice([4.0, 7.9, -100.0])),
                reference_c=20,
                form=str(rng.choice(["arrhenius", "q10", "square root"])),
                kinetics=str(rng.choice(["zero-order", "first-order"])),
                start_score=8.0 if rng.random() < 0.5 else None,
            )
        except (Refused, Invalid) as error:
            words.append(error.detail)
            continue
        taken += 1
        route = route_from(found.fit.route("x", ""))
        assert math.isfinite(route.rate_per_day(20.0))
        assert route.life_sd_days is not None
        assert math.isfinite(route.life_sd_days)
    assert all(words)
    assert taken > 0
