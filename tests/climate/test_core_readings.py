"""Readings in order, once each, plausible; holes named."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.climate.core.readings import Gap, Reading, bridge, clean, gaps, in_time_order, to_celsius
from rimekeep.errors import Invalid

plausible = st.builds(Reading, st.integers(0, 200), st.sampled_from([-2.0, 3.5, 4.0, 8.25]))


@given(st.lists(plausible, max_size=40))
def test_cleaned_readings_ascend_and_stand_once(arrived: list[Reading]) -> None:
    cleaned = clean(arrived)
    assert set(cleaned) == set(arrived)
    assert len(set(cleaned)) == len(cleaned)
    assert [one.at_s for one in cleaned] == sorted(one.at_s for one in cleaned)


@given(st.lists(plausible, max_size=40))
def test_arrays_are_ordered_as_the_readings_are(arrived: list[Reading]) -> None:
    at, temps = in_time_order([one.at_s for one in arrived], [one.temp_c for one in arrived])
    assert [Reading(*pair) for pair in zip(at.tolist(), temps.tolist(), strict=True)] == clean(arrived)


@given(st.lists(plausible, max_size=40, unique_by=lambda one: one.at_s), st.randoms(use_true_random=False))
def test_order_of_arrival_does_not_matter(readings: list[Reading], shuffle: random.Random) -> None:
    arrived = readings + readings[::2]
    shuffle.shuffle(arrived)
    assert clean(arrived) == clean(readings)


def test_two_values_at_one_instant_both_stay_in_the_order_given() -> None:
    assert clean([Reading(9, 4.0), Reading(5, 20.0), Reading(5, 3.0)]) == [
        Reading(5, 20.0),
        Reading(5, 3.0),
        Reading(9, 4.0),
    ]


@pytest.mark.parametrize(
    ("bad", "field"),
    [
        (Reading(600, 85.0), "readings[1].temp_c"),
        (Reading(600, -127.0), "readings[1].temp_c"),
        (Reading(600, math.nan), "readings[1].temp_c"),
        (Reading(1_772_352_000_000, 4.0), "readings[1].at_s"),
        (Reading(math.inf, 4.0), "readings[1].at_s"),
        (Reading(-5, 4.0), "readings[1].at_s"),
    ],
)
def test_implausible_reading_is_refused_by_its_place_with_a_mend(bad: Reading, field: str) -> None:
    with pytest.raises(Invalid) as caught:
        clean([Reading(0, 4.0), bad])
    (fault,) = caught.value.faults
    assert fault.field == field
    assert fault.mend


def test_faults_of_a_whole_batch_are_named_but_not_without_end() -> None:
    with pytest.raises(Invalid) as caught:
        clean([Reading(-1, 999.0) for _ in range(500)])
    assert len(caught.value.faults) == 20
    assert caught.value.faults[3].field == "readings[1].temp_c"


@pytest.mark.parametrize(
    ("times", "temps", "field"),
    [
        ([0, 1], [4.0], "temps_c"),
        ([0, math.nan], [4.0, 4.0], "times[1]"),
        ([0, 1], [4.0, 81.0], "temps_c[1]"),
    ],
)
def test_arrays_that_cannot_be_are_refused_by_name(
    times: list[float], temps: list[float], field: str
) -> None:
    with pytest.raises(Invalid) as caught:
        in_time_order(times, temps)
    assert caught.value.faults[0].field == field


def test_ordering_leaves_the_given_arrays_alone() -> None:
    times, temps = np.array([3.0, 1.0, 1.0]), np.array([5.0, 4.0, 4.0])
    ordered = in_time_order(times, temps)
    assert times.tolist() == [3.0, 1.0, 1.0]
    assert ordered[0].tolist() == [1.0, 3.0]
    ascending = in_time_order([1.0, 2.0], temps[:2])
    ascending[1][0] = -9
    assert temps[0] == 5.0


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (4.0, "Cel", 4.0),
        (4.0, "C", 4.0),
        (4.0, "°C", 4.0),
        (38.0, "F", 10 / 3),
        (32.0, "°F", 0.0),
        (277.15, "K", 4.0),
    ],
)
def test_every_known_unit_becomes_celsius(value: float, unit: str, expected: float) -> None:
    assert to_celsius(value, unit) == pytest.approx(expected)


@pytest.mark.parametrize("unit", ["", "c", "celsius", "%RH", "R"])
def test_unknown_unit_is_refused_and_the_known_ones_named(unit: str) -> None:
    with pytest.raises(Invalid, match="Cel") as caught:
        to_celsius(4.0, unit)
    assert caught.value.code == "unknown-unit"


def test_gap_is_longer_than_the_limit_not_as_long() -> None:
    assert gaps([0, 600, 1800, 1801], 600) == [Gap(600.0, 1800.0)]
    assert gaps([0, 600, 1800, 1801], 600)[0].length_s == 1200
    assert gaps([0, 600], 600) == []
    assert gaps([], 600) == []


def test_more_than_three_stated_intervals_are_bridged() -> None:
    assert bridge([0, 600, 2400, 4201], interval_s=600).tolist() == [False, False, True]
    assert bridge([5.0], interval_s=600).tolist() == []


def test_gap_of_no_length_or_in_shuffled_times_is_refused() -> None:
    for call in (gaps, bridge):
        with pytest.raises(Invalid):
            call([0, 600], 0)
        with pytest.raises(Invalid):
            call([0, 600], math.nan)
        with pytest.raises(Invalid, match="at_s"):
            call([600, 0], 60)
