"""A vehicle's air counts while goods are on board: own small cases, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.climate.core.air import Joined
from rimekeep.excursions.core.detection import Detected, detect
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.trips import (
    Aboard,
    TripAboard,
    aboard_words,
    detect_between,
    first_after,
)

WARM = Rule("above", 8.0, "single", allowed_s=1200)
COUNT = Rule("above", 8.0, "cumulative", allowed_s=1200)


def joined(*temps_c: float, step_s: float = 600) -> Joined:
    size = len(temps_c)
    return Joined(
        np.arange(size) * step_s, np.array(temps_c), np.full(size, 3 * step_s), np.ones(size, dtype=np.int64)
    )


def between(readings: Joined, rule: Rule, from_s: float, until_s: float | None) -> list[Detected]:
    return detect_between(readings, rule, error_c=None, from_s=from_s, until_s=until_s)


def test_warmth_before_the_first_goods_counts_for_nothing() -> None:
    readings = joined(20, 20, 20, 20, 4, 4)
    assert between(readings, WARM, 2100, None) == []
    (found,) = between(readings, WARM, 600, None)
    assert found == Detected(600, 1800, 2400, 20)


def test_the_last_reading_holds_until_the_last_goods_are_off() -> None:
    readings = joined(4, 9, 9, 9, 9, 9)
    # 600 s to 1790 s are ten seconds short of the twenty minutes.
    assert between(readings, WARM, 0, 1790) == []
    assert between(readings, WARM, 0, 1800) == [Detected(600, 1800, 1800, 9)]
    assert between(readings, WARM, 0, 2000) == [Detected(600, 1800, 2000, 9)]


def test_a_reading_holds_no_longer_than_it_may_stand_alone() -> None:
    readings = joined(4, 9)
    assert between(readings, WARM, 0, 10_000) == [Detected(600, 1800, 600 + 1800, 9)]


def test_a_trip_that_goes_on_is_judged_as_a_room_is() -> None:
    readings = joined(4, 9, 9, 9)
    assert between(readings, WARM, 0, None) == detect(readings, WARM)
    assert between(readings, WARM, 0, None)[0].end_s is None


def test_a_count_counts_its_own_stretch_and_is_over_with_it() -> None:
    readings = joined(9, 4, 9, 4, 9, 4, 4)
    assert between(readings, COUNT, 0, 1800) == [Detected(0, 1800, 1800, 9)]
    assert between(readings, COUNT, 600, 1800) == []
    (found,) = between(readings, COUNT, 600, 4200)
    assert (found.start_s, found.alarm_s, found.end_s) == (1200, 3000, 4200)


def test_a_stretch_without_readings_shows_nothing() -> None:
    assert between(joined(9, 9, 9), WARM, 5000, 9000) == []
    assert between(joined(), WARM, 0, 10) == []


def test_each_reading_is_judged_with_its_own_sensor_s_error() -> None:
    readings = joined(7, 7.8, 7.8, 7.8, 7)
    found = detect_between(
        readings, WARM, error_c=np.array([0.5, 0.0, 0.5, 0.5, 0.5]), from_s=0, until_s=2400
    )
    assert found == [Detected(1200, 2400, 2400, 7.8)]


@given(
    st.lists(st.sampled_from([4.0, 7.9, 8.0, 12.0]), min_size=1, max_size=12),
    st.integers(0, 12 * 600),
    st.integers(1, 12 * 600),
    st.sampled_from([WARM, COUNT]),
)
def test_nothing_is_found_outside_the_time_goods_were_on_board(
    temps_c: list[float], from_s: int, lasts_s: int, rule: Rule
) -> None:
    for found in between(joined(*temps_c), rule, from_s, from_s + lasts_s):
        assert found.end_s is not None
        assert from_s <= found.start_s <= found.alarm_s <= found.end_s <= from_s + lasts_s


@pytest.mark.parametrize(
    ("at_s", "spells", "over_s"),
    [
        (100, [(0, None)], 500),  # the first reading inside
        (600, [(0, None)], None),  # nobody can tell yet
        (100, [(0, 400)], 400),  # off before it was cold again
        (100, [(0, 600)], 500),
        (900, [(0, 600)], 600),  # the end was brought forward: over before it began
        (100, [(0, 50), (200, None)], 500),  # unloaded and loaded again
        (100, [], 100),
    ],
)
def test_what_late_readings_refute_is_over_at_the_first_cold_reading_or_with_the_trip(
    at_s: float, spells: list[tuple[float, float | None]], over_s: float | None
) -> None:
    assert first_after(at_s, np.array([500.0]), spells) == over_s


def test_words_tell_what_can_be_done_and_nothing_else() -> None:
    inn, bar = Aboard(1, "INN", "The inn (invented)", 1, 48), Aboard(2, "BAR", "The bar (invented)", 2, 60)
    road = aboard_words(TripAboard(3, "T1", False, (inn, bar)), held_units=0, marked_units=3)
    assert (
        "Trip 3, vehicle T1: 108 cases on board, for INN (drop 1, 48 cases), BAR (drop 2, 60 cases)." in road
    )
    assert "3 units are on the road, where no hold reaches them." in road
    assert "call the driver" in road
    assert "airs the body before going in" in road
    dock = aboard_words(TripAboard(3, "T1", False, (inn,)), held_units=1, marked_units=0)
    assert "1 units are on hold" in dock
    assert "no hold reaches" not in dock
    over = aboard_words(TripAboard(3, "T1", True, ()), held_units=0, marked_units=0)
    assert over == "Trip 3, vehicle T1: nothing is on board any more."
