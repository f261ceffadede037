"""Alarms under the limits of published device rules; a second-by-second clock beside them."""

import itertools
import math
import random
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.errors import Invalid
from rimekeep.excursions.core.rules import (
    Breach,
    Crossing,
    Extremes,
    Rule,
    Span,
    breaches,
    crossings,
    detected_at_s,
    extremes,
    outside_s,
    spans,
)

WARM = Rule("above", 8.0, "single", 1800)
CASES = [
    (record, policy)
    for record in records("excursion_rules")
    for policy in record["expected"]["by_gap_policy"]
]


def _rule(given_: list[Any]) -> Rule:
    _, op, limit_c, kind, allowed_s = given_
    return Rule("above" if op == ">=" else "below", limit_c, kind, allowed_s)


@pytest.mark.parametrize(
    ("record", "policy"), CASES, ids=[f"{by_id(record)}-{policy}" for record, policy in CASES]
)
def test_alarm_falls_when_the_allowed_time_is_used_up(record: dict[str, Any], policy: str) -> None:
    given_ = record["inputs"]
    at_s, temps_c = zip(*given_["readings"], strict=True)
    options: Any = {"max_gap_s": given_["max_gap_s"]} | ({} if policy == "none" else {"gap_policy": policy})
    for one in given_["rules"]:
        expected = record["expected"]["by_gap_policy"][policy][one[0]]
        found = breaches(at_s, temps_c, [_rule(one)], **options)
        assert [breach.alarm_at_s for breach in found] == [expected["alarm_s"]] * (
            expected["alarm_s"] is not None
        )
        assert [detected_at_s(at_s, breach) for breach in found] == [expected["detected_s"]] * len(found)


def test_rules_are_judged_together_and_answered_in_their_order() -> None:
    cold, warm, never = (
        Rule("below", 0.0, "single", 60),
        Rule("above", 8.0, "cumulative", 60),
        Rule("above", 50, "single", 1),
    )
    found = breaches([0, 100, 200, 300], [9, 5, -1, 5], [cold, never, warm])
    assert found == [Breach(cold, 260.0), Breach(warm, 60.0)]


def clocked(
    at_s: list[int], temps_c: list[float], rule: Rule, max_gap_s: int | None, policy: str
) -> int | None:
    """Return the alarm by counting single seconds, as a device with a clock would."""
    pairs = sorted(zip(at_s, temps_c, strict=True))
    collected = 0
    for (start, temp), following in itertools.zip_longest(pairs, pairs[1:]):
        outside = temp >= rule.limit_c if rule.side == "above" else temp <= rule.limit_c
        if not outside and rule.kind == "single":
            collected = 0
        if outside and collected >= rule.allowed_s:
            return start
        if following is None:
            return None
        length = following[0] - start
        silent = max_gap_s is not None and length > max_gap_s
        heard = length if not silent else max_gap_s if policy == "hold_to_max_gap" else 0
        for second in range(heard or 0):
            collected += outside
            if outside and collected >= rule.allowed_s:
                return start + second + 1
        if silent and rule.kind == "single":
            collected = 0
    return None


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 120), st.sampled_from([1.0, 7.9, 8.0, 9.0])),
        max_size=25,
        unique_by=lambda r: r[0],
    ),
    st.sampled_from(["above", "below"]),
    st.sampled_from(["single", "cumulative"]),
    st.integers(0, 60),
    st.one_of(st.none(), st.integers(1, 30)),
    st.sampled_from(["hold_to_max_gap", "drop_interval"]),
    st.randoms(use_true_random=False),
)
def test_alarm_agrees_with_a_second_by_second_clock_in_any_order(
    readings: list[tuple[int, float]],
    side: Any,
    kind: Any,
    allowed_s: int,
    gap_s: int | None,
    policy: Any,
    shuffle: random.Random,
) -> None:
    rule = Rule(side, 8.0, kind, allowed_s)
    arrived = readings + readings[::3]
    shuffle.shuffle(arrived)
    found = breaches(
        [t for t, _ in arrived], [c for _, c in arrived], [rule], max_gap_s=gap_s, gap_policy=policy
    )
    alarm = clocked([t for t, _ in readings], [c for _, c in readings], rule, gap_s, policy)
    assert [breach.alarm_at_s for breach in found] == ([] if alarm is None else [alarm])


def test_default_lets_a_reading_hold_to_the_longest_gap() -> None:
    series: Any = ([0, 900, 16_200], [47, 47, 47])
    rule = Rule("above", 45, "single", 3600)
    assert breaches(*series, [rule], max_gap_s=3600) == [Breach(rule, 3600.0)]
    assert breaches(*series, [rule], max_gap_s=3600, gap_policy="drop_interval") == []


def test_rule_that_allows_nothing_alarms_at_the_first_reading_outside() -> None:
    for kind in ("single", "cumulative"):
        rule = Rule("above", 8.0, kind, 0)  # type: ignore[arg-type]
        assert breaches([0, 60, 120], [5, 5, 8], [rule]) == [Breach(rule, 120.0)]
        assert breaches([0, 60, 120], [5, 5, 7.9], [rule]) == []


def test_alarm_between_readings_is_known_at_the_next_one_only() -> None:
    (breach,) = breaches([0, 3600], [9, 9], [WARM])
    assert breach.alarm_at_s == 1800
    assert detected_at_s([0, 3600], breach) == 3600
    assert detected_at_s([0, 900], breach) is None


def test_spans_tell_when_each_excursion_began_ended_and_how_far_it_went() -> None:
    at_s, temps_c = [0, 60, 120, 180, 240, 300], [5, 9, 11, 5, 8, 10]
    assert spans(at_s, temps_c, WARM) == [Span(60.0, 180.0, 11.0, False), Span(240.0, 300.0, 10.0, True)]
    cold = Rule("below", 0.0, "single", 60)
    assert spans([0, 60, 120], [-1, -3, 2], cold) == [Span(0.0, 120.0, -3.0, False)]
    assert spans([0, 60], [5, 5], WARM) == []
    assert spans([], [], WARM) == []


def test_silence_ends_a_span_where_the_reading_stops_to_count() -> None:
    series: Any = ([0, 60, 1000, 1060], [9, 9, 9, 5])
    assert spans(*series, WARM, max_gap_s=100) == [
        Span(0.0, 160.0, 9.0, False),
        Span(1000.0, 1060.0, 9.0, False),
    ]
    dropped = spans(*series, WARM, max_gap_s=100, gap_policy="drop_interval")
    assert dropped == [Span(0.0, 60.0, 9.0, False), Span(1000.0, 1060.0, 9.0, False)]


@given(
    st.lists(st.tuples(st.integers(0, 500), st.floats(0, 12)), max_size=30, unique_by=lambda r: r[0]),
    st.one_of(st.none(), st.integers(1, 60)),
    st.floats(0, 2),
)
def test_time_outside_is_the_sum_of_the_spans(
    readings: list[tuple[int, float]], gap_s: int | None, hysteresis_c: float
) -> None:
    rule = Rule("above", 8.0, "single", 60, hysteresis_c=hysteresis_c)
    at_s, temps_c = [t for t, _ in readings], [c for _, c in readings]
    found = spans(at_s, temps_c, rule, max_gap_s=gap_s)
    total = outside_s(at_s, temps_c, rule, max_gap_s=gap_s)
    assert math.fsum(one.end_s - one.start_s for one in found) == pytest.approx(total)
    assert all(one.peak_c >= 8.0 for one in found)


def test_hysteresis_keeps_one_excursion_one() -> None:
    at_s, temps_c = list(range(0, 420, 60)), [5, 8.5, 7.6, 8.2, 7.6, 6.9, 7.6]
    assert len(spans(at_s, temps_c, WARM)) == 2
    damped = Rule("above", 8.0, "single", 180, hysteresis_c=1.0)
    assert spans(at_s, temps_c, damped) == [Span(60.0, 300.0, 8.5, False)]
    assert breaches(at_s, temps_c, [damped]) == [Breach(damped, 240.0)]
    cold = Rule("below", 0.0, "single", 60, hysteresis_c=1.0)
    assert spans([0, 60, 120], [-0.5, 0.7, 1.2], cold) == [Span(0.0, 120.0, -0.5, False)]


def test_hysteresis_does_not_reach_across_silence() -> None:
    damped = Rule("above", 8.0, "single", 60, hysteresis_c=1.0)
    assert spans([0, 60, 1000, 1060], [9, 7.5, 7.5, 5], damped, max_gap_s=100) == [
        Span(0.0, 160.0, 9.0, False)
    ]


def test_guard_band_moves_the_limit_inwards_on_either_side() -> None:
    warm, cold = Rule("above", 8.0, "single", 60, guard_c=0.5), Rule("below", 0.0, "single", 60, guard_c=0.5)
    assert len(breaches([0, 60], [7.5, 7.5], [warm, WARM])) == 1
    assert len(breaches([0, 60], [0.5, 0.5], [cold, Rule("below", 0.0, "single", 60)])) == 1


def test_crossings_lie_on_the_line_between_readings() -> None:
    found = crossings([0, 600, 1200, 1800], [7, 9, 8, 4], WARM)
    assert found == [Crossing(300.0, True), Crossing(1200.0, False)]
    assert crossings([0, 600], [2, -2], Rule("below", 0.0, "single", 0)) == [Crossing(300.0, True)]


def test_no_line_is_drawn_across_silence_and_a_step_crosses_at_once() -> None:
    assert crossings([0, 5000], [7, 9], WARM, max_gap_s=600) == []
    assert crossings([0, 50, 50, 90], [7, 7, 9, 9], WARM) == [Crossing(50.0, True)]


def test_extremes_name_the_first_of_equals() -> None:
    assert extremes([30, 0, 10, 20], [4.0, 3.0, 9.0, 9.0]) == Extremes(3.0, 0.0, 9.0, 10.0)
    with pytest.raises(Invalid):
        extremes([], [])


def test_later_given_of_two_values_at_one_time_stands() -> None:
    rule = Rule("above", 8.0, "single", 60)
    assert breaches([0, 0, 60], [5, 9, 5], [rule]) == [Breach(rule, 60.0)]
    assert breaches([0, 0, 60], [9, 5, 5], [rule]) == []


def test_overruled_value_neither_breaks_a_stretch_nor_alarms() -> None:
    series: Any = ([0, 600, 600, 1200, 1200], [9, 4, 9, 9, 5])
    assert breaches(*series, [Rule("above", 8.0, "single", 1200)])[0].alarm_at_s == 1200.0
    assert spans(*series, WARM) == [Span(0.0, 1200.0, 9.0, False)]
    strict = Rule("above", 8.0, "single", 0), Rule("above", 8.0, "cumulative", 0)
    assert breaches([0, 600, 600], [5, 9, 5], strict, max_gap_s=[900, 900, 900]) == []


@given(st.integers(0, 2_000_000_000_000), st.integers(1, 3_600_000), st.integers(1, 20))
def test_allowed_time_is_used_up_to_the_millisecond_at_any_date(
    start_ms: int, interval_ms: int, count: int
) -> None:
    at_s = [(start_ms + n * interval_ms) / 1000 for n in range(count + 1)]
    for kind in ("single", "cumulative"):
        rule = Rule("above", 8.0, kind, count * interval_ms / 1000)  # type: ignore[arg-type]
        found = breaches([*at_s, at_s[-1] + 60], [9.0] * count + [4.0, 4.0], [rule])
        assert [one.alarm_at_s for one in found] == [pytest.approx(at_s[-1], rel=0, abs=1e-5)]
        longer = Rule("above", 8.0, kind, (count * interval_ms + 1) / 1000)  # type: ignore[arg-type]
        assert breaches(at_s, [9.0] * len(at_s), [longer]) == []


def test_year_of_readings_is_judged_in_milliseconds() -> None:
    rng = np.random.default_rng(5)
    at_s = np.arange(52_560) * 600.0
    temps_c = 4 + rng.standard_normal(at_s.size)
    rules = [WARM, Rule("above", 6.0, "cumulative", 3e7), Rule("below", -0.5, "single", 3600)]
    spent = []
    for _ in range(5):
        begin = time.thread_time()
        breaches(at_s, temps_c, rules, max_gap_s=1800)
        spent.append(time.thread_time() - begin)
    assert min(spent) < 0.1


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"side": "over"}, "side"),
        ({"kind": "twice"}, "kind"),
        ({"limit_c": math.nan}, "limit_c"),
        ({"allowed_s": -1}, "allowed_s"),
        ({"allowed_s": math.inf}, "allowed_s"),
        ({"hysteresis_c": -0.1}, "hysteresis_c"),
        ({"guard_c": math.nan}, "guard_c"),
    ],
)
def test_rule_nobody_can_mean_is_refused_by_name(change: dict[str, Any], field: str) -> None:
    with pytest.raises(Invalid) as caught:
        Rule(**({"side": "above", "limit_c": 8.0, "kind": "single", "allowed_s": 60} | change))
    assert caught.value.faults[0].field == field


def test_series_and_policy_that_cannot_be_are_refused() -> None:
    with pytest.raises(Invalid, match="max_gap_s"):
        breaches([0, 60], [5, 5], [WARM], max_gap_s=0)
    with pytest.raises(Invalid, match="gap_policy"):
        breaches([0, 60], [5, 5], [WARM], gap_policy="forget")  # type: ignore[arg-type]
    with pytest.raises(Invalid, match="temps_c"):
        breaches([0, 60], [5, math.nan], [WARM])
