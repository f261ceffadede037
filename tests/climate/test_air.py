"""How sensors' readings become one course of air."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.climate.core.air import Air, Series, air_between, assumed, join
from rimekeep.climate.core.steps import in_steps
from rimekeep.errors import Invalid


def sensor(key: int, *readings: tuple[float, float], interval_s: float = 600) -> Series:
    table = np.array(readings, dtype=float).reshape(-1, 2)
    return Series(key, interval_s, table[:, 0], table[:, 1])


def test_first_sensor_speaks_for_the_room_while_it_talks() -> None:
    joined = join([sensor(1, (0, 3), (600, 3), (1200, 3)), sensor(2, (0, 9), (300, 9), (900, 9), (1500, 9))])
    assert set(joined.temp_c.tolist()) == {3.0}


def test_next_sensor_stands_in_only_within_the_silence() -> None:
    first = sensor(1, (0, 3), (600, 3), (6000, 4), (6600, 4))
    second = sensor(2, *((t, 9.0) for t in range(100, 9000, 600)))
    joined = join([first, second])
    from_second = joined.at_s[joined.sensor_id == 2]
    assert from_second.min() > 600
    # The stretch after the first sensor's last word counts as silence only once it is long enough: it is here.
    assert [t for t in from_second if 6000 <= t <= 6600] == []
    assert (from_second > 6600).sum() == 4
    assert air_between(joined, 0, 6600).bridged_total_s == 0


def test_of_two_readings_at_one_time_the_first_sensors_stands() -> None:
    joined = join([sensor(1, (0, 3), (6000, 4)), sensor(2, (3000, 5), (6000, 9))])
    assert joined.at_s.tolist() == [0, 3000, 6000]
    assert joined.temp_c.tolist() == [3, 5, 4]


def test_between_two_sensors_the_slower_one_says_how_long_a_silence_is_none() -> None:
    first, slow = sensor(1, (0, 3)), sensor(2, (10_800, 5), interval_s=3600)
    assert air_between(join([first, slow]), 0, 10_800).bridged_total_s == 0
    assert air_between(join([first, sensor(2, (10_801, 5), interval_s=3600)]), 0, 10_801).bridged_s.size == 2


def test_third_sensor_fills_what_the_second_leaves() -> None:
    first = sensor(1, (0, 3), (12000, 3))
    second = sensor(2, (600, 5), (1200, 5), (1800, 5))
    third = sensor(3, *((t, 7.0) for t in range(300, 12000, 600)))
    joined = join([first, second, third])
    assert [t for t in joined.at_s[joined.sensor_id == 3] if t < 1800] == []
    assert air_between(joined, 0, 12000).bridged_total_s == 0


def test_silence_is_bridged_linearly_and_marked() -> None:
    air = air_between(join([sensor(1, (0, 2), (600, 2), (4200, 8), (4800, 8))]), 0, 4800)
    assert np.interp(2400, air.at_s, air.temp_c) == pytest.approx(5.0)
    assert air.bridged_s.tolist() == [[600.0, 4200.0]]


def test_three_intervals_are_not_yet_a_gap() -> None:
    assert air_between(join([sensor(1, (0, 2), (1800, 8))]), 0, 1800).bridged_total_s == 0
    assert air_between(join([sensor(1, (0, 2), (1801, 8))]), 0, 1801).bridged_total_s == 1801


def test_first_and_last_values_hold_outside_and_long_holds_are_marked() -> None:
    joined = join([sensor(1, (10_000, 2), (10_600, 6))])
    air = air_between(joined, 0, 20_000)
    assert (air.temp_c[0], air.temp_c[-1]) == (2.0, 6.0)
    assert air.bridged_s.tolist() == [[0.0, 10_000.0], [10_600.0, 20_000.0]]
    assert air_between(joined, 9_000, 11_000).bridged_total_s == 0


def test_room_without_readings_is_bridged_throughout() -> None:
    air = assumed(0, 3600, 4.0)
    assert air.is_assumed
    assert air.bridged_total_s == 3600


@pytest.mark.parametrize("window", [(5.0, 4.0), (float("nan"), 4.0)])
def test_stretch_that_ends_before_it_begins_is_refused(window: tuple[float, float]) -> None:
    with pytest.raises(Invalid, match="Give an end"):
        air_between(join([sensor(1, (0, 2))]), *window)


@given(
    st.lists(
        st.tuples(st.integers(0, 20_000), st.floats(-5, 20)),
        min_size=1,
        max_size=40,
        unique_by=lambda r: r[0],
    ),
    st.integers(0, 20_000),
    st.integers(0, 20_000),
    st.integers(0, 20_000),
)
def test_cut_of_the_air_is_the_air_of_the_cut(
    readings: list[tuple[float, float]], a: int, b: int, c: int
) -> None:
    joined = join([sensor(1, *sorted(readings))])
    low, middle, high = sorted((a, b, c))
    whole = air_between(joined, low, high)
    for start, end in ((low, middle), (middle, high)):
        part, direct = whole.cut(start, end), air_between(joined, start, end)
        grid = np.linspace(start, end, 50)
        assert np.interp(grid, part.at_s, part.temp_c) == pytest.approx(
            np.interp(grid, direct.at_s, direct.temp_c)
        )
        # Leading and trailing holds are judged by the stretch asked for; between readings both agree.
        if readings[0] and start >= joined.at_s[0] and end <= joined.at_s[-1]:
            assert part.bridged_total_s == pytest.approx(direct.bridged_total_s)


def test_steps_hold_the_mean_over_time_not_over_readings() -> None:
    # Own arithmetic: 2 °C for 9 minutes, a ramp to 12 °C over the last minute: (9·2 + 7)/10.
    air = Air(np.array([0.0, 540, 600, 1200]), np.array([2.0, 2, 12, 12]), np.array([[540.0, 700.0]]))
    steps = in_steps(air, 600)
    assert steps.mean_c.tolist() == pytest.approx([2.5, 12.0])
    assert (steps.min_c.tolist(), steps.max_c.tolist()) == ([2.0, 12.0], [12.0, 12.0])
    assert steps.bridged_s.tolist() == [60.0, 100.0]


def test_last_step_may_be_shorter() -> None:
    steps = in_steps(Air(np.array([0.0, 1000.0]), np.array([0.0, 10.0]), np.empty((0, 2))), 600)
    assert steps.mean_c.tolist() == pytest.approx([3.0, 8.0])
