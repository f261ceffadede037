"""The chart as geometry: what is drawn where, and that nothing is drawn where nothing was measured."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.climate.core.air import Air, Joined, air_between
from rimekeep.excursions.core.chart import MOST_POINTS, Chart, Course, chart
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.summary import summary
from rimekeep.shelflife.core.kinetics import mean_kinetic_temperature

NONE = np.empty((0, 2))


def air(temps_c: list[float], *, step_s: float = 600.0, gaps: Any = NONE) -> Air:
    return Air(step_s * np.arange(len(temps_c)), np.array(temps_c, dtype=float), np.array(gaps, dtype=float))


def drawn(picture: Chart) -> list[tuple[float, float]]:
    lines = [*picture.air, *picture.bands, *(core.points for core in picture.cores)]
    marks = [(m.x, m.y) for m in (*picture.crossings, picture.coldest, picture.warmest) if m]
    return [point for line in lines for point in line] + marks


def is_inside(picture: Chart, point: tuple[float, float]) -> bool:
    plot = picture.plot
    return (
        plot.x <= point[0] <= plot.x + plot.width + 1e-9 and plot.y <= point[1] <= plot.y + plot.height + 1e-9
    )


def test_time_runs_to_the_right_and_warmth_upwards() -> None:
    picture = chart(air([2.0, 4.0, 8.0]), start_s=300, end_s=900, limit_c=6.0)
    ((first, second, third),) = picture.air
    assert first[0] < second[0] < third[0]
    assert first[1] > second[1] > third[1]
    assert (first[0], third[0]) == (picture.plot.x, picture.plot.x + picture.plot.width)
    assert picture.limit_y == pytest.approx((second[1] + third[1]) / 2)
    assert picture.during.x == pytest.approx((first[0] + second[0]) / 2, abs=0.01)
    assert picture.during.x + picture.during.width == pytest.approx((second[0] + third[0]) / 2, abs=0.02)


def test_allowed_side_lies_below_a_limit_for_warmth_and_above_one_for_cold() -> None:
    for side, is_below in (("above", True), ("below", False)):
        picture = chart(air([2.0, 8.0]), start_s=0, end_s=None, limit_c=5.0, side=side)  # type: ignore[arg-type]
        assert picture.allowed is not None
        assert picture.limit_y is not None
        edge = picture.allowed.y if is_below else picture.allowed.y + picture.allowed.height
        assert edge == pytest.approx(picture.limit_y, abs=0.01)
        assert (
            picture.allowed.y + picture.allowed.height == pytest.approx(picture.plot.y + picture.plot.height)
        ) == is_below


def test_no_line_is_drawn_across_a_gap() -> None:
    picture = chart(air([4.0] * 10, gaps=[[1200.0, 3000.0]]), start_s=0, end_s=None)
    assert len(picture.air) == 2
    (gap,) = picture.gaps
    assert picture.air[0][-1][0] == pytest.approx(gap.x, abs=0.01)
    assert picture.air[1][0][0] == pytest.approx(gap.x + gap.width, abs=0.01)


def test_reading_alone_between_two_gaps_is_a_point() -> None:
    picture = chart(air([4.0] * 10, gaps=[[600.0, 2400.0], [2400.0, 4200.0]]), start_s=0, end_s=None)
    assert [len(line) > 1 for line in picture.air] == [True, False, True]
    assert len(picture.air[1]) == 1


def test_long_courses_are_drawn_as_means_between_least_and_greatest() -> None:
    temps = [4.0 + (number % 2) for number in range(4000)]
    picture = chart(air(temps), start_s=0, end_s=None)
    (line,), (band,) = picture.air, picture.bands
    assert len(line) <= MOST_POINTS + 2
    assert len(band) == 2 * (len(line) - 2)
    middle = (min(y for _, y in band) + max(y for _, y in band)) / 2
    # Of readings that go up and down by one degree the mean is half-way, up to a reading at the step's edge.
    assert all(y == pytest.approx(middle, abs=4) for _, y in line[1:-1])


def test_ticks_are_round_and_inside_and_counted_from_midnight() -> None:
    picture = chart(air([3.3, 7.9] * 40), start_s=0, end_s=None, day_starts_s=-5400.0)
    assert 2 <= len(picture.x_ticks) <= 9
    assert all((tick.value + 5400) % 900 == 0 for tick in picture.x_ticks)
    values = [tick.value for tick in picture.y_ticks]
    assert values == sorted(values)
    assert values[0] <= 3.3
    assert values[-1] >= 7.9


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-60, 80), min_size=2, max_size=40),
    st.sets(st.integers(0, 38), max_size=6),
    st.one_of(st.none(), st.floats(-60, 80)),
    st.floats(-10_000, 40_000),
    st.booleans(),
)
def test_everything_drawn_lies_inside_the_frame(
    temps_c: list[float], silent: set[int], limit_c: float | None, start_s: float, is_over: bool
) -> None:
    gaps = [[600.0 * place, 600.0 * (place + 1)] for place in sorted(silent) if place + 1 < len(temps_c)]
    course = Course("core", 600.0 * np.arange(len(temps_c)), np.array(temps_c[::-1]))
    picture = chart(
        air(temps_c, gaps=gaps or NONE),
        start_s=start_s,
        end_s=start_s + 900 if is_over else None,
        alarm_s=start_s + 600,
        limit_c=limit_c,
        crossings=[300.0, 700.0],
        cores=[course],
    )
    assert all(is_inside(picture, point) for point in drawn(picture))
    assert picture.during.width >= 0
    for tick in picture.x_ticks:
        assert is_inside(picture, (tick.place, picture.plot.y))
    for tick in picture.y_ticks:
        assert is_inside(picture, (picture.plot.x, tick.place))


def heard(at_s: list[float], temps_c: list[float], limit_s: float = 1800.0) -> Joined:
    size = len(at_s)
    return Joined(np.array(at_s), np.array(temps_c), np.full(size, limit_s), np.ones(size, dtype=np.int64))


def test_figures_of_a_window_are_those_of_its_readings() -> None:
    at_s = [600.0 * number for number in range(13)]
    temps_c = [4.0, 4, 9, 10, 9, 4, 4, 9, 9, 4, 4, 4, 4]
    said, rule = heard(at_s, temps_c), Rule("above", 8.0, "single", 600)
    window = air_between(said, 1200.0, 5400.0)
    found = summary(said, window, rule, error_c=None, from_s=1200.0, until_s=5400.0)
    assert (found.readings, found.min_c, found.max_c) == (8, 4.0, 10.0)
    assert (found.min_at_s, found.max_at_s) == (3000.0, 1800.0)
    assert (found.outside_s, found.longest_outside_s, found.bridged_s) == (3000.0, 1800.0, 0.0)
    # USP <1160> in the trapezoid form; the function itself is held against outside values in tests/shelflife.
    assert found.kinetic_mean_c == mean_kinetic_temperature(window.at_s / 3600, window.temp_c)


def test_last_reading_outside_counts_to_the_end_but_no_longer_than_it_may_stand_alone() -> None:
    said, rule = heard([0.0, 600.0], [9.0, 9.0]), Rule("above", 8.0, "single", 600)
    for until_s, outside in ((600.0, 600.0), (1500.0, 1500.0), (9000.0, 2400.0)):
        window = air_between(said, 0.0, until_s)
        found = summary(said, window, rule, error_c=None, from_s=0.0, until_s=until_s)
        assert found.outside_s == found.longest_outside_s == outside


def test_window_without_readings_has_no_figures() -> None:
    said = heard([0.0], [9.0])
    window = air_between(said, 7200.0, 9000.0)
    found = summary(
        said, window, Rule("above", 8.0, "single", 0), error_c=None, from_s=7200.0, until_s=9000.0
    )
    assert (found.readings, found.min_c, found.outside_s, found.bridged_s) == (0, None, 0.0, 1800.0)


def test_crossings_are_marked_on_the_air() -> None:
    picture = chart(air([2.0, 8.0]), start_s=0, end_s=None, limit_c=6.0, crossings=[300.0, 9999.0])
    (mark,) = picture.crossings
    assert (mark.at_s, mark.temp_c) == (300.0, 5.0)
