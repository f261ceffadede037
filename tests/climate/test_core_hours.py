"""What is kept of thinned readings, against the plain integral of the same course (own arithmetic)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.climate.core.air import Air, Joined, Series, air_between, join
from rimekeep.climate.core.hours import Hours, filled, knots, speaking, thinned
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.core.steps import in_steps, speakers, step_edges, sums_of_air, sums_of_hours

HOUR = 3600.0


def said(*readings: tuple[float, float], interval_s: float = 600, key: int = 1) -> Series:
    table = np.array(readings, dtype=float).reshape(-1, 2)
    return Series(key, interval_s, table[:, 0], table[:, 1])


def hours(key: int, *rows: tuple[int, float, float]) -> Hours:
    """Hours of one sensor: (hour, value, seconds heard)."""
    hour, value, heard = (np.array(column) for column in zip(*rows, strict=True))
    return Hours(hour, value - 1, value, value + 1, heard, np.full(hour.size, key))


def test_an_hour_keeps_least_mean_over_time_and_greatest() -> None:
    # 2 °C for 50 minutes, then a rise to 8 °C within 10: (50·2 + 10·5) / 60.
    kept, counts = thinned(said((0, 2), (1800, 2), (3000, 2), (3600, 8)), 0, HOUR)
    assert (kept.min_c.tolist(), kept.mean_c.tolist(), kept.max_c.tolist()) == ([2.0], [2.5], [8.0])
    assert (kept.heard_s.tolist(), counts.tolist()) == ([HOUR], [3])


def test_the_course_between_readings_of_two_hours_belongs_to_both() -> None:
    kept, counts = thinned(said((3000, 2), (4200, 6)), 0, 2 * HOUR)
    assert kept.hour.tolist() == [0, 1]
    # The line passes 4 °C at the full hour; the last reading then stands for three intervals.
    assert (kept.max_c[0], kept.min_c[1]) == (4.0, 4.0)
    assert kept.heard_s.tolist() == [600.0, 600.0 + 1800.0]
    assert kept.mean_c[1] == pytest.approx((600 * 5 + 1800 * 6) / 2400)
    assert counts.tolist() == [1, 1]


def test_a_reading_before_a_silence_stands_for_three_intervals_and_no_longer() -> None:
    kept, _ = thinned(said((0, 3), (10 * HOUR, 9)), 0, 20 * HOUR)
    assert kept.hour.tolist() == [0, 10]
    assert kept.heard_s.tolist() == [1800.0, 1800.0]
    assert kept.mean_c.tolist() == [3.0, 9.0]


def test_a_slow_sensor_fills_hours_it_did_not_report_in() -> None:
    kept, counts = thinned(said((0, 0), (3 * HOUR, 3), interval_s=3600), 0, 3 * HOUR)
    assert kept.mean_c.tolist() == pytest.approx([0.5, 1.5, 2.5])
    assert counts.tolist() == [1, 0, 0]


def test_nothing_said_keeps_nothing() -> None:
    kept, counts = thinned(said(), 0, HOUR)
    assert kept.hour.size == counts.size == 0
    assert thinned(said((0, 1)), 5 * HOUR, 6 * HOUR)[0].hour.size == 0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(-7_200_000, 90_000_000), st.floats(-20, 30)),
        min_size=1,
        max_size=60,
        unique_by=lambda r: r[0],
    ),
    st.sampled_from([600, 1200, 7200]),
)
def test_hours_equal_the_integral_of_the_course(readings: list[tuple[int, float]], interval_s: int) -> None:
    series = said(*((at_ms / 1000, c) for at_ms, c in sorted(readings)), interval_s=interval_s)
    kept, counts = thinned(series, 0, 24 * HOUR)
    assert counts.sum() == sum(0 <= at < 24 * HOUR for at in series.at_s)
    limit = 3 * interval_s
    expected: dict[int, list[tuple[float, float, float, float]]] = {}
    for place, (at, temp) in enumerate(zip(series.at_s, series.temp_c, strict=True)):
        following = series.at_s[place + 1] if place + 1 < series.at_s.size else np.inf
        is_line = following - at <= limit
        end = following if is_line else min(at + limit, following)
        end_c = series.temp_c[place + 1] if is_line else temp
        for hour in range(24):
            low, high = max(at, hour * HOUR), min(end, (hour + 1) * HOUR)
            if high > low:
                ends = np.interp([low, high], [at, end], [temp, end_c])
                expected.setdefault(hour, []).append((high - low, ends[0], ends[1], ends.mean()))
    assert kept.hour.tolist() == sorted(expected)
    for place, pieces in enumerate(expected[hour] for hour in kept.hour.tolist()):
        length = sum(piece[0] for piece in pieces)
        assert kept.heard_s[place] == pytest.approx(length)
        assert kept.mean_c[place] == pytest.approx(
            sum(piece[0] * piece[3] for piece in pieces) / length, abs=1e-9
        )
        assert kept.min_c[place] == pytest.approx(min(min(piece[1:3]) for piece in pieces), abs=1e-9)
        assert kept.max_c[place] == pytest.approx(max(max(piece[1:3]) for piece in pieces), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-20, 30), min_size=8 * 6 + 2, max_size=8 * 6 + 2),
    st.sampled_from([3600, 7200, 10_800, 28_800]),
)
def test_steps_of_whole_hours_are_the_same_after_thinning(values: list[float], step_s: int) -> None:
    series = said(*((600.0 * number - 300, value) for number, value in enumerate(values)))
    edges = step_edges(0, 8 * HOUR, step_s)
    before = sums_of_air(air_between(join([series]), 0, 8 * HOUR), edges).steps(edges)
    kept, _ = thinned(series, 0, 8 * HOUR)
    after = sums_of_hours(kept, edges, 8 * HOUR).steps(edges)
    assert after.min_c == pytest.approx(before.min_c)
    assert after.mean_c == pytest.approx(before.mean_c)
    assert after.max_c == pytest.approx(before.max_c)
    assert (before.thinned_s.sum(), after.thinned_s.sum()) == (0, 8 * HOUR)
    assert after.bridged_s == pytest.approx(np.zeros(after.bridged_s.size), abs=1e-6)


def test_of_a_room_the_sensor_that_heard_most_of_the_hour_speaks() -> None:
    first = hours(1, (5, 3.0, HOUR), (6, 3.0, 600.0))
    second = hours(2, (5, 9.0, HOUR), (6, 8.0, 3000.0), (7, 7.0, 100.0))
    kept = speaking([first, second])
    assert kept.sensor_id.tolist() == [1, 2, 2]
    assert kept.mean_c.tolist() == [3.0, 8.0, 7.0]


def test_hours_become_knots_in_their_middle_and_a_missing_hour_a_gap() -> None:
    air = air_between(knots(hours(1, (0, 2.0, HOUR), (1, 4.0, HOUR), (4, 7.0, HOUR)), 5 * HOUR), 0, 6 * HOUR)
    assert np.interp([1800, 3600, 5400], air.at_s, air.temp_c).tolist() == [2.0, 3.0, 4.0]
    assert air.bridged_s.tolist() == [[1.5 * HOUR, 4.5 * HOUR], [4.5 * HOUR, 6 * HOUR]]
    assert air.thinned_s == 5 * HOUR
    assert air.cut(2 * HOUR, 3 * HOUR).thinned_s == HOUR
    assert air.cut(4 * HOUR, 6 * HOUR).thinned_s == HOUR
    assert air.cut(5 * HOUR, 6 * HOUR).thinned_s == 0


def test_hours_nobody_heard_lie_on_the_line_and_are_bridged() -> None:
    kept = hours(1, (0, 2.0, HOUR), (2, 6.0, 1800.0))
    every = filled(kept, knots(kept, 3 * HOUR), 0, 4)
    assert every.mean_c.tolist() == [2.0, 4.0, 6.0, 6.0]
    edges = step_edges(0, 4 * HOUR, HOUR)
    steps = sums_of_hours(every, edges, 4 * HOUR).steps(edges)
    assert steps.bridged_s.tolist() == [0.0, HOUR, 1800.0, HOUR]
    assert steps.max_c.tolist() == [3.0, 4.0, 7.0, 6.0]


def test_a_step_that_cuts_a_thinned_hour_has_the_least_and_greatest_of_all_of_it() -> None:
    every = hours(1, (0, 2.0, HOUR), (1, 6.0, HOUR))
    edges = step_edges(1800, 5400, 1800)
    steps = sums_of_hours(every, edges, 2 * HOUR).steps(edges)
    assert (steps.min_c.tolist(), steps.mean_c.tolist(), steps.max_c.tolist()) == ([1, 5], [2, 6], [3, 7])


def test_a_step_with_both_kinds_adds_them_up() -> None:
    edges = step_edges(0, 2 * HOUR, 2 * HOUR)
    raw = sums_of_air(Air(np.array([HOUR, 2 * HOUR]), np.array([4.0, 8.0]), np.empty((0, 2))), edges)
    step = sums_of_hours(hours(1, (0, 2.0, HOUR)), edges, HOUR).plus(raw).steps(edges)
    assert (step.min_c[0], step.mean_c[0], step.max_c[0], step.thinned_s[0]) == (1, 4, 8, HOUR)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 86_400), st.floats(-20, 30)),
        min_size=1,
        max_size=60,
        unique_by=lambda r: r[0],
    ),
    st.integers(60, 20_000),
    st.integers(-5_000, 5_000),
)
def test_steps_equal_the_integral_of_the_air(
    readings: list[tuple[int, float]], step_s: int, from_s: int
) -> None:
    air = air_between(join([said(*sorted(readings))]), from_s, 86_400)
    steps = in_steps(air, step_s)
    for place, start in enumerate(range(from_s, 86_400, step_s)):
        end = min(start + step_s, 86_400)
        inside = [at for at in air.at_s if start < at < end]
        times = np.array([start, *inside, end])
        temps = np.interp(times, air.at_s, air.temp_c)
        assert steps.at_s[place] == start
        assert steps.min_c[place] == pytest.approx(temps.min())
        assert steps.max_c[place] == pytest.approx(temps.max())
        assert steps.mean_c[place] == pytest.approx(np.trapezoid(temps, times) / (end - start), abs=1e-7)
        bridged = sum(max(0.0, min(end, high) - max(start, low)) for low, high in air.bridged_s)
        assert steps.bridged_s[place] == pytest.approx(bridged, abs=1e-6)


def test_each_step_names_who_spoke_in_it_or_last_before() -> None:
    def course(*rows: tuple[float, int]) -> Joined:
        at, sensor = (np.array(column) for column in zip(*rows, strict=True))
        flat: FloatArray = np.zeros(at.size)
        return Joined(at, flat, flat, sensor)

    joined = course((100, 1), (200, 2), (250, 1), (700, 2))
    assert speakers(joined, np.array([0.0, 300, 600, 900, 1200])) == [(1, 2), (1,), (2,), (2,)]
