"""The core's lag behind the air, against numerical integration and textbook cases."""

import itertools
import math
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from builders.checks import by_id, records
from rimekeep.errors import Invalid
from rimekeep.shelflife.core.thermal import (
    core_temperature,
    freezing_point_c,
    tau_and_ambient_from_times,
    tau_from_properties,
    tau_from_times,
    time_to_reach,
)
from rimekeep.units import f_to_c


@st.composite
def histories(draw: st.DrawFn, *, most: int = 6) -> tuple[list[float], list[float]]:
    """Knots with steps (no time between them) and stretches of up to 30 h."""
    gaps = draw(st.lists(st.one_of(st.just(0.0), st.floats(0.05, 30)), min_size=1, max_size=most))
    times = [0.0, *np.cumsum(gaps).tolist()]
    air = draw(st.lists(st.floats(-10, 35), min_size=len(times), max_size=len(times)))
    return times, air


def integrated(times: list[float], air: list[float], tau_h: float, start_c: float) -> list[float]:
    """Return the core at every knot by stepwise integration of the differential equation."""
    core = [start_c]
    for (t0, a0), (t1, a1) in zip(
        zip(times, air, strict=True), zip(times[1:], air[1:], strict=True), strict=False
    ):
        if t1 == t0:
            core.append(core[-1])
            continue
        slope = (a1 - a0) / (t1 - t0)
        solved = solve_ivp(
            lambda s, y, a0=a0, slope=slope: (a0 + slope * s - y) / tau_h,
            (0, t1 - t0),
            [core[-1]],
            method="DOP853",
            rtol=1e-12,
            atol=1e-12,
        )
        core.append(float(solved.y[0, -1]))
    return core


@pytest.mark.parametrize("record", records("core_temperature", "lumped_response"), ids=by_id)
def test_response_agrees_with_the_reference_cases(record: dict[str, Any]) -> None:
    given_ = record["inputs"]
    found = core_temperature(
        [knot["t_h"] for knot in given_["air_knots"]],
        [knot["temp_c"] for knot in given_["air_knots"]],
        tau_h=given_["tau_h"],
        start_c=given_["initial_core_c"],
        at_h=given_["report_at_h"],
    )
    assert found.tolist() == pytest.approx(record["expected"]["core_c"], abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(histories(), st.floats(0.3, 40), st.floats(-5, 30))
def test_response_agrees_with_integration_of_the_equation(
    history: tuple[list[float], list[float]], tau_h: float, start_c: float
) -> None:
    found = core_temperature(*history, tau_h=tau_h, start_c=start_c)
    assert found.tolist() == pytest.approx(integrated(*history, tau_h, start_c), abs=1e-8)


@settings(deadline=None)
@given(histories(), st.floats(0, 40), st.floats(0, 1))
def test_value_between_knots_is_the_value_at_an_added_knot(
    history: tuple[list[float], list[float]], tau_h: float, share: float
) -> None:
    times, air = history
    at = share * times[-1]
    place = int(np.searchsorted(times, at, side="right"))
    start, end = place - 1, min(place, len(times) - 1)
    span = times[end] - times[start]
    level = air[start] + ((at - times[start]) / span * (air[end] - air[start]) if span else 0.0)
    split = core_temperature(
        [*times[:place], at, *times[place:]], [*air[:place], level, *air[place:]], tau_h=tau_h
    )
    assert core_temperature(times, air, tau_h=tau_h, at_h=at) == pytest.approx(split[place], abs=1e-9)
    assert split[-1] == pytest.approx(core_temperature(times, air, tau_h=tau_h)[-1], abs=1e-9)


@settings(deadline=None)
@given(histories(), st.floats(1e-9, 1e6))
def test_core_never_leaves_the_range_of_the_air(
    history: tuple[list[float], list[float]], tau_h: float
) -> None:
    times, air = history
    found = core_temperature(times, air, tau_h=tau_h, at_h=np.linspace(0, times[-1] + 50, 40))
    assert min(air) - 1e-9 <= found.min()
    assert found.max() <= max(air) + 1e-9


def test_pack_without_lag_is_the_air_and_takes_the_value_after_a_step() -> None:
    times, air = [0.0, 4.0, 4.0, 6.0], [2.0, 2.0, 20.0, 22.0]
    assert core_temperature(times, air, tau_h=0, start_c=9).tolist() == air
    assert core_temperature(times, air, tau_h=0, at_h=[2, 4, 5, 9]).tolist() == [2.0, 20.0, 21.0, 22.0]


def test_core_does_not_jump_with_the_air() -> None:
    core = core_temperature([0, 4, 4, 6], [2, 2, 20, 20], tau_h=20)
    assert core[1] == core[2] == 2.0
    assert core[3] > 2.5


def test_single_knot_holds_for_ever() -> None:
    assert core_temperature([3.0], [5.0], tau_h=10, start_c=15, at_h=13.0) == pytest.approx(5 + 10 / math.e)
    assert core_temperature([3.0], [5.0], tau_h=10).tolist() == [5.0]


@pytest.mark.parametrize("tau_h", [1e-300, 1e-6, 1e6])
def test_no_time_constant_overflows(tau_h: float) -> None:
    core = core_temperature([0, 1e5, 2e5], [3, 30, -5], tau_h=tau_h, start_c=10)
    expected = [10, 30, -5] if tau_h < 1 else [10, 10, 10]
    assert core.tolist() == pytest.approx(expected, abs=2.5)


def test_year_of_readings_takes_milliseconds_and_keeps_its_digits() -> None:
    rng = np.random.default_rng(11)
    times = np.arange(52_560) / 6
    air = 3 + rng.standard_normal(times.size).cumsum() * 0.01
    spent = []
    for _ in range(5):
        begin = time.thread_time()
        found = core_temperature(times, air, tau_h=12.0, start_c=18)
        spent.append(time.thread_time() - begin)
    core, expected = 18.0, [18.0]
    decay = math.exp(-1 / 6 / 12)
    for a0, a1 in itertools.pairwise(air.tolist()):  # the textbook form, one knot after the other
        lag = (a1 - a0) * 6 * 12
        core = a1 - lag + (core - a0 + lag) * decay
        expected.append(core)
    assert np.abs(found - np.array(expected)).max() < 1e-10
    assert min(spent) < 0.05


@pytest.mark.parametrize("record", records("core_temperature", "lumped_time_to_reach"), ids=by_id)
def test_textbook_milk_takes_its_time(record: dict[str, Any]) -> None:
    given_, expected = record["inputs"], record["expected"]
    hours = time_to_reach(
        given_["initial_c"],
        given_["target_c"],
        ambient_c=given_["ambient_c"],
        tau_h=1 / given_["b_per_s"] / 3600,
    )
    assert hours * 3600 == pytest.approx(expected["time_s"], rel=1e-9)
    assert hours * 3600 == pytest.approx(expected["as_printed_s"], abs=0.5)


@pytest.mark.parametrize("record", records("core_temperature", "lumped_rate"), ids=by_id)
def test_textbook_milk_has_its_rate(record: dict[str, Any]) -> None:
    given_ = record["inputs"]
    tau_h = tau_from_properties(
        film_w_m2k=given_["h_w_per_m2k"],
        density_kg_m3=given_["rho_kg_per_m3"],
        heat_capacity_j_kgk=given_["cp_j_per_kgk"],
        volume_per_area_m=given_["lc_m"],
    )
    assert 1 / (tau_h * 3600) == pytest.approx(record["expected"]["b_per_s"], rel=1e-9)


@pytest.mark.parametrize("record", records("core_temperature", "two_time_fit"), ids=by_id)
def test_two_keg_times_fix_time_constant_and_air(record: dict[str, Any]) -> None:
    runs = [
        (f_to_c(point["from_f"]), f_to_c(point["to_f"]), point["hours"])
        for point in record["inputs"]["points"]
    ]
    tau_h, air_c = tau_and_ambient_from_times(*runs)
    assert tau_h == pytest.approx(record["expected"]["tau_h"], rel=1e-6)
    assert air_c == pytest.approx(record["expected"]["ambient_c"], rel=1e-6)


@pytest.mark.parametrize("record", records("core_temperature", "tau_from_times"), ids=by_id)
def test_cooling_trial_gives_the_time_constant(record: dict[str, Any]) -> None:
    given_ = record["inputs"]
    tau_h = tau_from_times(
        given_["initial_c"], given_["final_c"], ambient_c=given_["ambient_c"], hours=given_["hours"]
    )
    assert tau_h == pytest.approx(record["expected"]["tau_h"], rel=1e-9)
    assert time_to_reach(10.0, 3.5, ambient_c=2.0, tau_h=tau_h) == pytest.approx(20.0)


@given(
    st.floats(-2, 10), st.floats(0.1, 30), st.floats(0.1, 30), st.floats(0.5, 50), st.sampled_from([1, -1])
)
def test_two_warmings_serve_as_well_as_two_coolings(
    air_c: float, first_h: float, more_h: float, tau_h: float, sign: int
) -> None:
    starts = (air_c + sign * 20.0, air_c + sign * 6.0)
    hours = (first_h, first_h + more_h)
    runs = [
        (start, air_c + (start - air_c) * math.exp(-hour / tau_h), hour)
        for start, hour in zip(starts, hours, strict=True)
    ]
    if min(abs(final - air_c) for _, final, _ in runs) > 0.5 and first_h > tau_h / 20:
        found_tau_h, found_air_c = tau_and_ambient_from_times(*runs)
        assert found_tau_h == pytest.approx(tau_h, rel=1e-4)
        assert found_air_c == pytest.approx(air_c, abs=1e-3)


def test_what_air_cannot_do_is_never_reached_and_never_fitted() -> None:
    assert time_to_reach(10, 1, ambient_c=2, tau_h=5) == math.inf
    assert time_to_reach(10, 2, ambient_c=2, tau_h=5) == math.inf
    assert time_to_reach(10, 12, ambient_c=2, tau_h=5) == math.inf
    assert time_to_reach(10, 10, ambient_c=2, tau_h=5) == 0
    with pytest.raises(Invalid):
        tau_from_times(10, 12, ambient_c=2, hours=3)
    with pytest.raises(Invalid):
        tau_and_ambient_from_times((10, 4, 5), (4, 10, 5))
    with pytest.raises(Invalid):
        tau_and_ambient_from_times((10, 9, 25), (4, 3, 1))


@pytest.mark.parametrize("record", records("freezing_point", "beer_formula"), ids=by_id)
def test_freezing_point_follows_the_trade_formula(record: dict[str, Any]) -> None:
    found = freezing_point_c(record["inputs"]["original_extract_plato"], record["inputs"]["alcohol_pct_w"])
    assert found == pytest.approx(record["expected"]["freezing_c"], abs=1e-9)
    if "as_printed" in record["expected"]:
        assert found == pytest.approx(record["expected"]["as_printed"], abs=0.05)


def test_of_two_published_forms_the_physical_one_is_used() -> None:
    (record,) = records("freezing_point", "conflict")
    found = freezing_point_c(record["inputs"]["original_extract_plato"], record["inputs"]["alcohol_pct_w"])
    assert found == pytest.approx(record["expected"]["form_a_c"], abs=1e-9)


@pytest.mark.parametrize("record", records("freezing_point", "ethanol_water"), ids=by_id)
def test_beer_freezes_below_the_same_alcohol_in_water(record: dict[str, Any]) -> None:
    alcohol_pct = 100 * record["inputs"]["ethanol_mass_fraction"]
    extract_p = 2.5 * alcohol_pct  # about what it takes to ferment so far (common practice, no source)
    assert freezing_point_c(extract_p, alcohol_pct) < record["expected"]["freezing_c"]


@pytest.mark.parametrize(
    ("knots", "field"),
    [
        (([], []), "air_c"),
        (([0, 1], [3]), "air_c"),
        (([0, math.nan], [3, 3]), "air_c"),
        (([1, 0], [3, 3]), "times_h"),
    ],
)
def test_history_that_cannot_be_is_refused_by_name(
    knots: tuple[list[float], list[float]], field: str
) -> None:
    with pytest.raises(Invalid) as caught:
        core_temperature(*knots, tau_h=1)
    assert caught.value.faults[0].field == field


def test_asking_before_the_first_reading_or_with_a_negative_lag_is_refused() -> None:
    with pytest.raises(Invalid, match="at_h"):
        core_temperature([1, 2], [3, 3], tau_h=1, at_h=0.5)
    with pytest.raises(Invalid, match="tau_h"):
        core_temperature([1, 2], [3, 3], tau_h=-1)
    with pytest.raises(Invalid, match="start_c"):
        core_temperature([1, 2], [3, 3], tau_h=1, start_c=math.nan)
    with pytest.raises(Invalid, match="alcohol_mass_pct"):
        freezing_point_c(12, 55)
