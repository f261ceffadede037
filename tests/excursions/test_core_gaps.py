"""Silences judged reading by reading, where sensors of different intervals speak for one room; conventions are our own."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.climate.core.air import Joined, air_between
from rimekeep.errors import Invalid
from rimekeep.excursions.core.detection import Detected, detect
from rimekeep.excursions.core.rules import Breach, Rule, Span, breaches, crossings, outside_s, spans

WARM = Rule("above", 8.0, "single", 1800)
readings = st.lists(
    st.tuples(st.integers(0, 500), st.floats(0, 12), st.integers(1, 60)),
    max_size=25,
    unique_by=lambda r: r[0],
)


def room(*said: tuple[float, float, float]) -> Joined:
    at_s, temp_c, limit_s = (np.array(column, dtype=float) for column in zip(*said, strict=True))
    return Joined(at_s, temp_c, limit_s, np.zeros(at_s.size, dtype=np.int64))


@settings(max_examples=60, deadline=None)
@given(readings, st.integers(1, 60), st.sampled_from(["single", "cumulative"]))
def test_one_limit_for_all_is_the_same_as_the_same_limit_for_each(
    said: list[tuple[int, float, int]], limit_s: int, kind: Any
) -> None:
    rule = Rule("above", 8.0, kind, 30)
    at_s, temps_c = [r[0] for r in said], [r[1] for r in said]
    each = np.full(len(said), float(limit_s))
    for ask in (breaches, spans, outside_s, crossings):
        asked: Any = [rule] if ask is breaches else rule
        assert ask(at_s, temps_c, asked, max_gap_s=each) == ask(at_s, temps_c, asked, max_gap_s=limit_s)


@settings(max_examples=60, deadline=None)
@given(readings, st.randoms(use_true_random=False))
def test_limits_follow_their_readings_in_any_order_and_repeated(
    said: list[tuple[int, float, int]], shuffle: random.Random
) -> None:
    arrived = said + said[::2]
    shuffle.shuffle(arrived)
    in_order = sorted(said)
    found = spans([r[0] for r in arrived], [r[1] for r in arrived], WARM, max_gap_s=[r[2] for r in arrived])
    assert found == spans(
        [r[0] for r in in_order], [r[1] for r in in_order], WARM, max_gap_s=[r[2] for r in in_order]
    )


@settings(max_examples=60, deadline=None)
@given(readings.filter(lambda said: len(said) > 1))
def test_alarm_clock_and_chart_see_the_same_silences(said: list[tuple[int, float, int]]) -> None:
    """What the air marks as bridged between two readings outside is where a run breaks."""
    heard = room(*[(float(at), 9.0, float(limit)) for at, _, limit in sorted(said)])
    bridged = air_between(heard, float(heard.at_s[0]), float(heard.at_s[-1])).bridged_s
    found = spans(heard.at_s, heard.temp_c, WARM, max_gap_s=heard.limit_s)
    assert [span.start_s for span in found[1:]] == [over for _, over in bridged]


def test_quick_sensor_s_silence_is_no_longer_hidden_by_a_slow_one() -> None:
    """A spare that reports hourly speaks once; the ten-minute sensor's silence of an hour stays one."""
    said = room((0, 9, 1800), (600, 9, 1800), (4200, 9, 1800), (4800, 4, 1800), (9000, 4, 10_800))
    assert spans(said.at_s, said.temp_c, WARM, max_gap_s=said.limit_s) == [
        Span(0.0, 2400.0, 9.0, False),
        Span(4200.0, 4800.0, 9.0, False),
    ]
    assert detect(said, WARM) == [Detected(0.0, 1800.0, 2400.0, 9.0)]
    # With the longest limit for all, as a room of slow sensors alone has it, it would be one run.
    assert len(spans(said.at_s, said.temp_c, WARM, max_gap_s=10_800)) == 1


def test_reading_before_a_silence_counts_for_its_own_time() -> None:
    said = room((0, 9, 600), (5000, 5, 1200))
    assert breaches(said.at_s, said.temp_c, [Rule("above", 8, "single", 600)], max_gap_s=said.limit_s) == [
        Breach(Rule("above", 8, "single", 600), 600.0)
    ]
    assert outside_s(said.at_s, said.temp_c, WARM, max_gap_s=said.limit_s) == 600


@pytest.mark.parametrize("limits", [[600.0], [600.0, 0.0], [600.0, -1.0], [600.0, np.nan]])
def test_limits_that_do_not_fit_are_refused(limits: list[float]) -> None:
    with pytest.raises(Invalid, match="max_gap_s"):
        breaches([0, 60], [5, 5], [WARM], max_gap_s=limits)


def test_guard_of_each_sensor_keeps_its_own_readings_off_the_limit() -> None:
    said = room(*[(600.0 * number, 7.8, 1800) for number in range(5)])
    assert detect(said, WARM) == []
    assert detect(said, WARM, error_c=np.full(5, 0.1)) == []
    (found,) = detect(said, WARM, error_c=np.full(5, 0.25))
    assert (found.start_s, found.alarm_s, found.peak_c) == (0.0, 1800.0, 7.8)
    # One poor sensor among good ones breaks the run where the good ones speak.
    assert detect(said, WARM, error_c=np.array([0.25, 0.25, 0.1, 0.25, 0.25])) == []
    cold = Rule("below", 0.0, "single", 1800)
    near = room(*[(600.0 * number, 0.2, 1800) for number in range(5)])
    assert len(detect(near, cold, error_c=np.full(5, 0.25))) == 1
    assert detect(near, cold) == []


def test_guard_reaches_to_the_ends_of_what_can_be_measured() -> None:
    said = room(*[(600.0 * number, 80.0, 1800) for number in range(5)])
    assert detect(said, WARM, error_c=np.full(5, 5.0))[0].peak_c == 80.0
