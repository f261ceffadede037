"""Two sensors of one room held against each other; margin, time and comparison are conventions of our own, without a source."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.climate.core.air import Series
from rimekeep.excursions.core.agreement import (
    LASTS_S,
    MARGIN_C,
    allowed_difference_c,
    differences,
    disagreements,
)
from rimekeep.excursions.core.detection import Detected


def said(sensor_id: int, *values: float, step_s: float = 600.0, from_s: float = 0.0) -> Series:
    at_s = from_s + step_s * np.arange(len(values))
    return Series(sensor_id, step_s, at_s, np.array(values, dtype=float))


def apart_for(one: Series, other: Series, **limits: float) -> list[Detected]:
    return disagreements(differences(one, other), **limits)  # type: ignore[arg-type]


def test_distance_allowed_is_both_errors_and_the_margin() -> None:
    assert allowed_difference_c(0.3, 0.5) == 0.8 + MARGIN_C


def test_sensors_apart_for_longer_than_allowed_disagree_from_the_first_such_instant() -> None:
    one, other = said(1, *[4.0] * 20), said(2, 4.0, 4.0, *[6.5] * 10, *[4.0] * 8)
    (found,) = apart_for(one, other, allowed_c=2.0)
    assert (found.start_s, found.alarm_s, found.end_s, found.peak_c) == (1200.0, 4800.0, 7200.0, 2.5)
    assert apart_for(one, other, allowed_c=2.0, lasts_s=6001.0) == []


def test_distance_that_is_just_allowed_is_agreement() -> None:
    one, other = said(1, *[4.0] * 20), said(2, *[6.0] * 20)
    assert apart_for(one, other, allowed_c=2.0) == []
    assert len(apart_for(one, other, allowed_c=1.999)) == 1


def test_sensors_that_report_at_other_instants_are_compared_on_the_lines_between() -> None:
    """A ramp of 6 °C an hour read by both, five minutes apart: the same air, no difference."""
    at_s = np.arange(0, 36_000, 600.0)
    one = Series(1, 600.0, at_s, at_s / 600)
    other = Series(2, 600.0, at_s + 300, (at_s + 300) / 600)
    apart = differences(one, other)
    assert apart.at_s.size == 2 * at_s.size - 2
    assert float(apart.temp_c.max()) < 1e-9


def test_nothing_is_compared_across_a_silence() -> None:
    one = said(1, *[4.0] * 30)
    at_s = np.concatenate([np.arange(0, 3600, 600.0), np.arange(12_000, 18_000, 600.0)])
    other = Series(2, 600.0, at_s, np.full(at_s.size, 9.0))
    apart = differences(one, other)
    assert not ((apart.at_s > 3000) & (apart.at_s < 12_000)).any()
    # Fifty minutes before the silence are too short; what counts after it starts anew.
    (found,) = apart_for(one, other, allowed_c=2.0, lasts_s=5000)
    assert found.start_s == 12_000


def test_one_that_never_spoke_agrees_with_everybody() -> None:
    none = Series(2, 600.0, np.empty(0), np.empty(0))
    assert differences(said(1, 4.0, 4.0), none).at_s.size == 0
    assert apart_for(none, said(1, 4.0, 4.0), allowed_c=0.0) == []


series = st.lists(
    st.tuples(st.integers(0, 300), st.floats(-5, 20)), min_size=1, max_size=20, unique_by=lambda one: one[0]
)


@settings(max_examples=60, deadline=None)
@given(series, series, st.floats(0, 5))
def test_it_does_not_matter_who_is_asked_first(
    one: list[tuple[int, float]], other: list[tuple[int, float]], allowed_c: float
) -> None:
    first, second = (
        Series(
            key,
            20.0,
            np.array(sorted(dict(said_))),
            np.array([dict(said_)[at] for at in sorted(dict(said_))]),
        )
        for key, said_ in ((1, one), (2, other))
    )
    assert apart_for(first, second, allowed_c=allowed_c, lasts_s=60) == apart_for(
        second, first, allowed_c=allowed_c, lasts_s=60
    )
    assert apart_for(first, first, allowed_c=0.0, lasts_s=0) == []


@settings(max_examples=40, deadline=None)
@given(st.floats(0.01, 5), st.floats(0, 5))
def test_an_offset_is_found_exactly_when_it_is_more_than_allowed(offset_c: float, allowed_c: float) -> None:
    one = said(1, *[4.0] * 12)
    other = Series(2, 600.0, one.at_s, one.temp_c + offset_c)
    apart = (4.0 + offset_c) - 4.0
    found = apart_for(one, other, allowed_c=allowed_c, lasts_s=LASTS_S)
    assert len(found) == (1 if apart > allowed_c else 0)
