"""Rates of ageing, against published ratios and an independent computation of mean kinetic temperature."""

import math
from itertools import accumulate
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.errors import Invalid
from rimekeep.shelflife.core.kinetics import (
    activation_from_ratio,
    arrhenius_rate,
    arrhenius_ratio,
    mean_kinetic_temperature,
    q10_from_ratio,
    q10_rate,
    q10_ratio,
    square_root_rate,
)
from rimekeep.units import GAS_CONSTANT_J_MOL_K, f_to_c

FURFURAL = {"reference_c": 20.0, "reference_life_days": 1.0, "activation_kj_mol": 101.8}
UG_PER_FU = 1.13403309695  # staling_furfural.json, conventions


@pytest.mark.parametrize("record", records("staling_furfural", "daily_rate"), ids=by_id)
def test_rate_agrees_with_the_published_furfural_clock(record: dict[str, Any]) -> None:
    rate = arrhenius_rate(record["inputs"]["temp_c"], **FURFURAL)
    assert rate == pytest.approx(record["expected"]["fu_per_day"], rel=1e-9)
    assert rate * UG_PER_FU == pytest.approx(record["expected"]["ug_per_l_per_day"], rel=1e-9)


@pytest.mark.parametrize("record", records("staling_ratios", "two_temperature_ratio"), ids=by_id)
def test_published_ratio_gives_its_activation_energy_and_q10(record: dict[str, Any]) -> None:
    given_, expected = record["inputs"], record["expected"]
    pair = (given_["t_warm_c"], given_["t_cold_c"])
    energy = activation_from_ratio(*pair, given_["ratio_warm_over_cold"])
    q10 = q10_from_ratio(*pair, given_["ratio_warm_over_cold"])
    assert energy == pytest.approx(expected["implied_ea_kj_per_mol"], rel=1e-9)
    assert q10 == pytest.approx(expected["implied_q10"], rel=1e-9)
    assert arrhenius_ratio(*pair, activation_kj_mol=energy) == pytest.approx(given_["ratio_warm_over_cold"])
    assert q10_ratio(*pair, q10=q10) == pytest.approx(given_["ratio_warm_over_cold"])


@pytest.mark.parametrize("record", records("staling_ratios", "arrhenius_ratio"), ids=by_id)
def test_ratio_of_lives_follows_from_the_activation_energy(record: dict[str, Any]) -> None:
    given_ = record["inputs"]
    ratio = arrhenius_ratio(
        given_["t_warm_c"], given_["t_cold_c"], activation_kj_mol=given_["ea_j_per_mol"] / 1000
    )
    assert ratio == pytest.approx(record["expected"]["ratio_warm_over_cold"], rel=1e-9)


@pytest.mark.parametrize("record", records("staling_ratios", "q10_equivalent_time"), ids=by_id)
def test_q10_carries_weeks_from_one_temperature_to_another(record: dict[str, Any]) -> None:
    given_ = record["inputs"]
    rate = q10_rate(
        given_["target_temp_c"],
        reference_c=given_["base_temp_c"],
        reference_life_days=given_["base_weeks"] * 7,
        q10=given_["q10"],
    )
    assert 1 / rate / 7 == pytest.approx(record["expected"]["target_weeks"], rel=1e-9)


def test_3_30_300_rule_is_not_one_arrhenius_line() -> None:
    (record,) = records("staling_ratios", "rule_of_thumb")  # common practice, no source
    warm, room, cold = ((f_to_c(point["temp_f"]), point["days"]) for point in record["inputs"]["points"])
    upper = activation_from_ratio(warm[0], room[0], room[1] / warm[1])
    lower = activation_from_ratio(room[0], cold[0], cold[1] / room[1])
    assert upper == pytest.approx(record["expected"]["ea_kj_per_mol_90_72"], rel=1e-9)
    assert lower == pytest.approx(record["expected"]["ea_kj_per_mol_72_38"], rel=1e-9)
    assert upper > 2 * lower


@pytest.mark.parametrize("record", records("arrhenius_fits", "accelerated_aging"), ids=by_id)
def test_accelerated_ageing_shortens_a_test_by_its_q10(record: dict[str, Any]) -> None:
    given_, expected = record["inputs"], record["expected"]  # ASTM F1980's factor
    factor = q10_ratio(given_["t_accelerated_c"], given_["t_real_c"], q10=given_["q10"])
    assert factor == pytest.approx(expected["aaf"], rel=1e-9)
    assert given_["real_days"] / factor == pytest.approx(expected["accelerated_days"], rel=1e-9)


def _energy(record: dict[str, Any]) -> float:
    return float(record["inputs"]["dH_over_R_k"]) * GAS_CONSTANT_J_MOL_K / 1000


@pytest.mark.parametrize("record", records("mkt", "equal_weight"), ids=by_id)
def test_readings_of_equal_weight_are_hold_over_equal_steps(record: dict[str, Any]) -> None:
    temps = record["inputs"]["temps_c"]
    found = mean_kinetic_temperature(
        range(len(temps) + 1), [*temps, temps[-1]], activation_kj_mol=_energy(record), rule="hold"
    )
    assert found == pytest.approx(record["expected"]["mkt_c"], abs=1e-6)


@pytest.mark.parametrize("record", records("mkt", "durations"), ids=by_id)
def test_durations_give_one_value_as_hold_and_as_steps(record: dict[str, Any]) -> None:
    segments = record["inputs"]["segments"]
    ends = list(accumulate(segment["hours"] for segment in segments))
    temps = [segment["temp_c"] for segment in segments]
    held = mean_kinetic_temperature(
        [0, *ends], [*temps, temps[-1]], activation_kj_mol=_energy(record), rule="hold"
    )
    knots = [time for pair in zip([0, *ends[:-1]], ends, strict=True) for time in pair]
    stepped = mean_kinetic_temperature(knots, np.repeat(temps, 2), activation_kj_mol=_energy(record))
    assert held == pytest.approx(record["expected"]["mkt_c"], abs=1e-6)
    assert stepped == pytest.approx(held, abs=1e-10)


@pytest.mark.parametrize("record", records("mkt", "series"), ids=by_id)
def test_unequal_intervals_follow_both_rules(record: dict[str, Any]) -> None:
    given_, expected = record["inputs"], record["expected"]
    series = (given_["t_hours"], given_["temps_c"])
    linear = mean_kinetic_temperature(*series, activation_kj_mol=_energy(record))
    held = mean_kinetic_temperature(*series, activation_kj_mol=_energy(record), rule="hold")
    assert linear == pytest.approx(expected["mkt_trapezoid_c"], abs=1e-6)
    assert held == pytest.approx(expected["mkt_left_hold_c"], abs=1e-6)


def test_default_energy_means_ten_thousand_kelvin() -> None:
    record = next(one for one in records("mkt", "series") if one["id"] == "mkt-005")
    found = mean_kinetic_temperature(record["inputs"]["t_hours"], record["inputs"]["temps_c"])
    assert found == pytest.approx(record["expected"]["mkt_trapezoid_c"], abs=1e-6)


@given(st.lists(st.floats(-20, 40), min_size=2, max_size=30))
def test_mean_kinetic_temperature_lies_between_the_arithmetic_mean_and_the_warmest(
    temps: list[float],
) -> None:
    times = range(len(temps) + 1)
    found = mean_kinetic_temperature(times, [*temps, temps[-1]], rule="hold")
    assert math.fsum(temps) / len(temps) - 1e-9 <= found <= max(temps) + 1e-9


def test_mean_kinetic_temperature_of_next_to_no_energy_is_the_harmonic_mean() -> None:
    # Of (dH/R) / -ln(mean of exp(-(dH/R)/T)) the limit for dH to 0 is 1 / (mean of 1/T), T in kelvin.
    expected = 3 / (1 / 275.15 + 2 / 303.15) - 273.15
    assert mean_kinetic_temperature(
        [0, 1, 3], [2, 30, 30], activation_kj_mol=1e-9, rule="hold"
    ) == pytest.approx(expected, abs=1e-9)


def test_reading_that_stands_for_no_time_does_not_move_the_mean() -> None:
    assert mean_kinetic_temperature([0, 1, 1, 2], [5, 900, 5, 5], rule="hold") == pytest.approx(5)
    assert mean_kinetic_temperature([0, 1, 2], [-100, -100, 900], rule="hold") == pytest.approx(-100)
    assert mean_kinetic_temperature([0, 1, 1, 1, 2], [-100, -100, 900, -100, -100]) == pytest.approx(-100)


def test_growth_stops_at_its_least_temperature() -> None:
    rates = square_root_rate([-3.0, 2.0, 7.0], b=0.1, t_min_c=2.0)
    assert rates.tolist() == pytest.approx([0.0, 0.0, 0.25])


@pytest.mark.parametrize("shape", [(3,), (2, 3)])
def test_rates_keep_the_shape_of_the_temperatures(shape: tuple[int, ...]) -> None:
    temps = np.full(shape, 20.0)
    assert arrhenius_rate(temps, **FURFURAL).shape == shape
    assert (
        q10_rate(temps, reference_c=20, reference_life_days=2, q10=3).tolist() == np.full(shape, 0.5).tolist()
    )


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("activation_kj_mol", -1.0),
        ("activation_kj_mol", 101_800.0),
        ("reference_life_days", 0.0),
        ("reference_life_days", math.inf),
        ("reference_c", math.nan),
    ],
)
def test_parameter_no_beer_has_is_refused_by_name(field: str, value: float) -> None:
    with pytest.raises(Invalid) as caught:
        arrhenius_rate(4.0, **{**FURFURAL, field: value})
    assert caught.value.faults[0].field == field


@pytest.mark.parametrize("temp_c", [math.nan, math.inf, -300.0])
def test_what_is_no_temperature_is_refused(temp_c: float) -> None:
    with pytest.raises(Invalid):
        arrhenius_rate([4.0, temp_c], **FURFURAL)
    with pytest.raises(Invalid):
        q10_rate(temp_c, reference_c=20, reference_life_days=1, q10=2)


@pytest.mark.parametrize(
    ("times", "temps"),
    [([0], [5]), ([0, 0], [5, 6]), ([1, 0], [5, 6]), ([0, 1], [5]), ([0, math.nan], [5, 6])],
)
def test_series_that_spans_no_time_has_no_mean(times: list[float], temps: list[float]) -> None:
    with pytest.raises(Invalid):
        mean_kinetic_temperature(times, temps)
