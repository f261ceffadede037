"""Life used up, against published histories and adaptive quadrature."""

import itertools
import math
import random
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from builders.checks import by_id, records
from rimekeep.errors import Invalid
from rimekeep.shelflife.core.exposure import Route, cumulative_life, life_used, remaining_days
from rimekeep.shelflife.core.thermal import core_temperature

FURFURAL = Route("furfural", reference_c=20.0, reference_life_days=1.0, activation_kj_mol=101.8)
STALING = Route("staling", reference_c=20.0, reference_life_days=60.0, activation_kj_mol=101.8)
HAZE = Route("haze", reference_c=20.0, reference_life_days=90.0, activation_kj_mol=55.0)
STEEP = Route("growth", reference_c=20.0, reference_life_days=30.0, activation_kj_mol=180.0)
UG_PER_FU = 1.13403309695  # staling_furfural.json, conventions


@st.composite
def histories(draw: st.DrawFn, *, most: int = 5) -> tuple[list[float], list[float]]:
    """Knots with steps (two values at one time, never three) and stretches from a minute to six weeks."""
    stretch = st.floats(-1.8, 3.0).map(lambda power: 10.0**power)
    drawn = draw(st.lists(st.one_of(st.just(0.0), stretch), min_size=1, max_size=most))
    gaps = [1.0 if gap == before == 0 else gap for before, gap in zip([1.0, *drawn], drawn, strict=False)]
    times = [0.0, *np.cumsum(gaps).tolist()]
    air = draw(st.lists(st.floats(-8, 38), min_size=len(times), max_size=len(times)))
    return times, air


lags = st.one_of(st.just(0.0), st.floats(-1.5, 2.0).map(lambda power: 10.0**power))


def adaptive(
    times: Sequence[float], air: Sequence[float], route: Route, tau_h: float, start_c: float
) -> float:
    """Return the life used by adaptive quadrature along the textbook solution, one segment after the other."""
    core, parts = start_c, []
    for (t0, t1), (a0, a1) in zip(itertools.pairwise(times), itertools.pairwise(air), strict=True):
        length = t1 - t0
        if length == 0:
            continue
        slope = (a1 - a0) / length

        def temp(s: float, a0: float = a0, slope: float = slope, core: float = core) -> float:
            if tau_h == 0:
                return a0 + slope * s
            return a0 + slope * (s - tau_h) + (core - a0 + slope * tau_h) * math.exp(-s / tau_h)

        def rate(s: float, temp: Any = temp) -> float:
            exponent = route.activation_kj_mol * 1000 / 8.314462618 * (1 / 293.15 - 1 / (temp(s) + 273.15))
            return math.exp(exponent) / route.reference_life_days / 24

        cuts = [0.0, *(c * tau_h for c in (0.5, 2, 6, 18, 50) if 0 < c * tau_h < length), length]
        parts += [
            quad(rate, lo, hi, epsabs=0, epsrel=1e-12, limit=200)[0] for lo, hi in itertools.pairwise(cuts)
        ]
        core = temp(length)
    return math.fsum(parts)


def _series(record: dict[str, Any]) -> tuple[list[float], list[float]]:
    given_ = record["inputs"]
    if given_["kind"] == "piecewise_linear":
        return [24 * knot["t_days"] for knot in given_["knots"]], [knot["temp_c"] for knot in given_["knots"]]
    return (
        [one["t_s"] / 3600 for one in given_["arrival_order"]],
        [one["temp_c"] for one in given_["arrival_order"]],
    )


def _steps(segments: list[dict[str, float]]) -> tuple[list[float], list[float]]:
    ends = list(itertools.accumulate(24 * segment["days"] for segment in segments))
    times = [time for pair in zip([0.0, *ends][:-1], ends, strict=True) for time in pair]
    return times, [segment["temp_c"] for segment in segments for _ in (0, 1)]


@pytest.mark.parametrize("record", records("staling_furfural", "piecewise_constant"), ids=by_id)
def test_steps_of_constant_air_give_the_furfural_formed(record: dict[str, Any]) -> None:
    found = life_used(*_steps(record["inputs"]["segments"]), routes=[FURFURAL])["furfural"]
    assert found == pytest.approx(record["expected"]["fu"], rel=1e-9)
    assert found * UG_PER_FU == pytest.approx(record["expected"]["ug_per_l"], rel=1e-9)


@pytest.mark.parametrize("record", records("staling_furfural", "piecewise_linear"), ids=by_id)
def test_sloping_air_gives_the_furfural_formed(record: dict[str, Any]) -> None:
    found = life_used(*_series(record), routes=[FURFURAL])["furfural"]
    assert found == pytest.approx(record["expected"]["fu"], rel=1e-10)


@pytest.mark.parametrize("record", records("staling_furfural", "readings_any_order"), ids=by_id)
def test_shuffled_and_repeated_readings_age_as_the_sorted_ones(record: dict[str, Any]) -> None:
    times, air = _series(record)
    expected = record["expected"]
    linear = life_used(times, air, routes=[FURFURAL])["furfural"]
    held = life_used(times, air, routes=[FURFURAL], rule="hold")["furfural"]
    curve = cumulative_life(times, air, routes=[FURFURAL])
    assert linear == pytest.approx(expected["piecewise_linear"]["fu"], rel=1e-10)
    assert held == pytest.approx(expected["left_hold"]["fu"], rel=1e-10)
    assert curve.times_h.size == expected["distinct_readings"]


@pytest.mark.parametrize("record", records("staling_furfural", "remaining_life"), ids=by_id)
def test_remaining_days_follow_from_what_is_left(record: dict[str, Any]) -> None:
    given_, expected = record["inputs"], record["expected"]
    used = given_["initial_fu"] + life_used(*_steps(given_["history"]), routes=[FURFURAL])["furfural"]
    limit = given_["limit_fu"]
    route = Route("furfural", 20.0, limit, 101.8)
    days, name = remaining_days({"furfural": used / limit}, [route], given_["future_temp_c"])
    assert used == pytest.approx(expected["used_fu"], rel=1e-9)
    assert days == pytest.approx(expected["remaining_days"], rel=1e-9)
    assert name == "furfural"


@settings(max_examples=120, deadline=None)
@given(histories(), lags, st.floats(-5, 35), st.sampled_from([STALING, HAZE, STEEP]))
def test_life_agrees_with_adaptive_quadrature(
    history: tuple[list[float], list[float]], tau_h: float, start_c: float, route: Route
) -> None:
    found = life_used(*history, routes=[route], tau_h=tau_h, start_c=start_c)[route.name]
    assert found == pytest.approx(adaptive(*history, route, tau_h, start_c), rel=1e-9, abs=1e-300)


def test_step_after_a_long_calm_agrees_to_ten_digits() -> None:
    times, air = [0.0, 500.0, 500.0, 502.0, 502.0, 2000.0], [2.0, 2.0, 33.0, 33.0, 1.0, 4.0]
    for route, tau_h in itertools.product((STALING, HAZE, STEEP), (0.05, 1.7, 19.67)):
        found = life_used(times, air, routes=[route], tau_h=tau_h, start_c=20.0)[route.name]
        assert found == pytest.approx(adaptive(times, air, route, tau_h, 20.0), rel=1e-10)


def test_routes_reckoned_together_are_the_routes_reckoned_alone() -> None:
    times, air = [0.0, 10.0, 10.0, 300.0], [3.0, 9.0, 21.0, 2.0]
    together = life_used(times, air, routes=[STALING, HAZE, STEEP], tau_h=6.5)
    for route in (STALING, HAZE, STEEP):
        alone = life_used(times, air, routes=[route], tau_h=6.5)[route.name]
        assert together[route.name] == pytest.approx(alone, rel=1e-11)


@settings(deadline=None)
@given(histories(), lags, st.lists(st.floats(0, 6), min_size=6, max_size=6))
def test_warmer_trace_never_leaves_more_life(
    history: tuple[list[float], list[float]], tau_h: float, warmer_by: list[float]
) -> None:
    times, air = history
    warmer = [temp + warmer_by[i] for i, temp in enumerate(air)]
    cool = life_used(times, air, routes=[STALING], tau_h=tau_h)["staling"]
    warm = life_used(times, warmer, routes=[STALING], tau_h=tau_h)["staling"]
    assert warm >= cool * (1 - 1e-10)


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 500), st.floats(-5, 30)), min_size=2, max_size=25, unique_by=lambda r: r[0]
    ),
    st.randoms(use_true_random=False),
    lags,
    st.sampled_from(["linear", "hold"]),
)
def test_order_and_repeats_of_arrival_do_not_change_the_last_digit(
    readings: list[tuple[int, float]], shuffle: random.Random, tau_h: float, rule: Any
) -> None:
    arrived = readings + readings[::3]
    shuffle.shuffle(arrived)
    in_order = sorted(readings)
    options: Any = {"routes": [STALING, HAZE], "tau_h": tau_h, "rule": rule}
    assert life_used(*zip(*arrived, strict=True), **options) == life_used(
        *zip(*in_order, strict=True), **options
    )


@settings(deadline=None)
@given(histories(), lags, st.floats(0.01, 0.99))
def test_splitting_a_segment_changes_nothing(
    history: tuple[list[float], list[float]], tau_h: float, share: float
) -> None:
    times, air = history
    last = times[-2] + share * (times[-1] - times[-2])
    if times[-2] < last < times[-1]:
        level = air[-2] + (last - times[-2]) / (times[-1] - times[-2]) * (air[-1] - air[-2])
        whole = life_used(times, air, routes=[STEEP], tau_h=tau_h)["growth"]
        split = life_used(
            [*times[:-1], last, times[-1]], [*air[:-1], level, air[-1]], routes=[STEEP], tau_h=tau_h
        )
        assert split["growth"] == pytest.approx(whole, rel=1e-10)


@settings(deadline=None)
@given(histories(), lags, st.sampled_from(["linear", "hold"]))
def test_curve_ends_in_the_life_used_and_never_falls(
    history: tuple[list[float], list[float]], tau_h: float, rule: Any
) -> None:
    curve = cumulative_life(*history, routes=[STALING], tau_h=tau_h, rule=rule)
    total = life_used(*history, routes=[STALING], tau_h=tau_h, rule=rule)["staling"]
    used = curve.used["staling"]
    assert used.shape == curve.times_h.shape == curve.core_c.shape
    assert used[0] == 0
    assert bool(np.all(np.diff(used) >= 0))
    assert used[-1] == pytest.approx(total, rel=1e-12)


def test_curve_holds_the_core_it_was_reckoned_with() -> None:
    times, air = [0.0, 4.0, 4.0, 6.0], [2.0, 2.0, 20.0, 20.0]
    curve = cumulative_life(times, air, routes=[STALING], tau_h=8.0)
    assert curve.core_c.tolist() == core_temperature(times, air, tau_h=8.0).tolist()


def test_held_reading_is_a_step_and_the_last_one_adds_nothing() -> None:
    held = life_used([0, 5, 9], [3, 12, 30], routes=[STALING], tau_h=3.0, rule="hold")
    stepped = life_used([0, 5, 5, 9], [3, 3, 12, 12], routes=[STALING], tau_h=3.0)
    assert held["staling"] == pytest.approx(stepped["staling"], rel=1e-12)


def test_two_values_at_one_time_keep_the_order_given() -> None:
    up = life_used([0, 5, 5, 9], [3, 3, 12, 12], routes=[STALING])["staling"]
    down = life_used([0, 5, 5, 9], [3, 12, 3, 12], routes=[STALING])["staling"]
    late = life_used([5, 9, 0, 5], [3, 12, 3, 12], routes=[STALING])["staling"]
    assert up == late
    assert up != down


def test_repeat_after_another_value_of_its_time_is_still_a_repeat() -> None:
    step = life_used([0, 5, 5, 9], [3, 3, 12, 12], routes=[STALING])
    assert life_used([0, 5, 5, 5, 9], [3, 3, 12, 3, 12], routes=[STALING]) == step


@pytest.mark.parametrize("count", [0, 1])
def test_without_two_readings_no_life_is_used(count: int) -> None:
    assert life_used([3.0][:count], [4.0][:count], routes=[STALING], tau_h=2.0) == {"staling": 0.0}
    assert cumulative_life([3.0][:count], [4.0][:count], routes=[STALING]).used["staling"].size == count


def test_route_at_its_reference_lasts_its_reference_life() -> None:
    used = life_used([0, 24 * 60], [20, 20], routes=[STALING, HAZE])
    assert used["staling"] == pytest.approx(1.0, rel=1e-12)
    assert used["haze"] == pytest.approx(60 / 90, rel=1e-12)


def test_first_route_to_end_limits_life_and_a_spent_one_leaves_none() -> None:
    assert remaining_days({"staling": 0.5, "haze": 0.9}, [STALING, HAZE], 20) == (pytest.approx(9.0), "haze")
    cold = remaining_days({"staling": 0.5, "haze": 0.5}, [STALING, HAZE], 2)
    warm = remaining_days({"staling": 0.5, "haze": 0.5}, [STALING, HAZE], 35)
    assert (cold[1], warm[1]) == ("haze", "staling")
    assert remaining_days({"staling": 1.2, "haze": 1.5}, [STALING, HAZE], 4) == (0.0, "haze")


@pytest.mark.parametrize(
    ("times", "air", "field"),
    [
        ([0, 1], [3.0, math.nan], "temps_c[1]"),
        ([0, math.inf], [3.0, 3.0], "times[1]"),
        ([0, 1, 2], [3.0, 850.0, 3.0], "temps_c[1]"),
        ([0, 1], [3.0], "temps_c"),
    ],
)
def test_reading_that_cannot_be_is_refused_by_its_place(
    times: list[float], air: list[float], field: str
) -> None:
    with pytest.raises(Invalid) as caught:
        life_used(times, air, routes=[STALING])
    assert caught.value.faults[0].field == field


def test_parameters_that_cannot_be_are_refused() -> None:
    with pytest.raises(Invalid, match="routes"):
        life_used([0, 1], [3, 3], routes=[])
    with pytest.raises(Invalid, match="routes"):
        life_used([0, 1], [3, 3], routes=[STALING, STALING])
    with pytest.raises(Invalid, match="start_c"):
        life_used([0, 1], [3, 3], routes=[STALING], tau_h=1, start_c=500)
    with pytest.raises(Invalid, match="tau_h"):
        life_used([0, 1], [3, 3], routes=[STALING], tau_h=math.nan)
    with pytest.raises(Invalid, match="rule"):
        life_used([0, 1], [3, 3], routes=[STALING], rule="spline")  # type: ignore[arg-type]
    with pytest.raises(Invalid, match="used"):
        remaining_days({"haze": 0.1}, [STALING], 4)
    with pytest.raises(Invalid, match="planned_c"):
        remaining_days({"staling": 0.1}, [STALING], math.nan)
    with pytest.raises(Invalid, match="name"):
        Route("", 20, 60, 100)
