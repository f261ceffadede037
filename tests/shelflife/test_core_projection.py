"""What a planned path costs, against the history it would become."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.shelflife.core.exposure import Route, life_used, remaining_days
from rimekeep.shelflife.core.projection import Leg, days_to_end, project
from rimekeep.shelflife.core.routes import Q10Route, SquareRootRoute

STALING = Route("staling", reference_c=20.0, reference_life_days=60.0, activation_kj_mol=101.8)
HAZE = Route("haze", reference_c=20.0, reference_life_days=90.0, activation_kj_mol=55.0)
ROUTES = [STALING, HAZE]
FRESH = {"staling": 0.0, "haze": 0.0}


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 200), st.floats(-2, 30)), min_size=2, max_size=6),
    st.floats(0, 30),
    st.integers(1, 5),
)
def test_path_walked_in_two_parts_ends_where_the_whole_path_ends(
    path: list[tuple[float, float]], tau_h: float, cut: int
) -> None:
    legs = [Leg(hours, temp) for hours, temp in path]
    cut = min(cut, len(legs) - 1)
    whole = project(FRESH, legs, routes=ROUTES, tau_h=tau_h, core_c=12.0)
    half = project(FRESH, legs[:cut], routes=ROUTES, tau_h=tau_h, core_c=12.0)
    rest = project(half.used, legs[cut:], routes=ROUTES, tau_h=tau_h, core_c=half.core_c)
    assert rest.core_c == pytest.approx(whole.core_c, abs=1e-9)
    for name in FRESH:
        assert rest.used[name] == pytest.approx(whole.used[name], rel=1e-9, abs=1e-15)


def test_path_costs_what_the_history_would() -> None:
    legs = [Leg(30, 2), Leg(6, 22), Leg(100, 4)]
    ends = list(itertools.accumulate(leg.hours for leg in legs))
    times = [0, ends[0], ends[0], ends[1], ends[1], ends[2]]
    past = life_used(times, [2, 2, 22, 22, 4, 4], routes=ROUTES, tau_h=9, start_c=15)
    found = project({"staling": 0.25, "haze": 0.5}, legs, routes=ROUTES, tau_h=9, core_c=15)
    assert found.used == {"staling": 0.25 + past["staling"], "haze": 0.5 + past["haze"]}


@settings(deadline=None)
@given(st.floats(-2, 30), st.floats(-2, 30), st.floats(0.1, 60), st.floats(0, 0.999))
def test_at_the_end_the_limiting_route_is_spent(
    planned_c: float, core_c: float, tau_h: float, share: float
) -> None:
    used = {"staling": share, "haze": share / 2}
    days, limiting = days_to_end(used, ROUTES, planned_c=planned_c, tau_h=tau_h, core_c=core_c)
    then = project(used, [Leg(24 * days, planned_c)], routes=ROUTES, tau_h=tau_h, core_c=core_c)
    assert then.used[limiting] == pytest.approx(1.0, abs=1e-8)
    assert max(then.used.values()) <= 1 + 1e-8


def test_beer_that_came_in_warm_ends_sooner_and_cold_beer_later() -> None:
    steady, _ = remaining_days({"staling": 0.2, "haze": 0.0}, ROUTES, 6)
    used = {"staling": 0.2, "haze": 0.0}
    warm, _ = days_to_end(used, ROUTES, planned_c=6, tau_h=15, core_c=25)
    cold, _ = days_to_end(used, ROUTES, planned_c=6, tau_h=15, core_c=0)
    assert warm < steady < cold
    assert days_to_end(used, ROUTES, planned_c=6, tau_h=15)[0] == steady


def test_end_is_found_however_far_apart_the_rates_are() -> None:
    """Own arithmetic: E/R = 1,000,000 / 8.314462618 K puts the rates at −60 and 80 °C 10^97 apart."""
    steep = Route("steep", reference_c=20, reference_life_days=1, activation_kj_mol=1000)
    days, _ = days_to_end({"steep": 0.1}, [steep], planned_c=80, tau_h=1000, core_c=-60)
    after = project({"steep": 0.1}, [Leg(24 * days, 80)], routes=[steep], tau_h=1000, core_c=-60)
    assert after.used["steep"] == pytest.approx(1, rel=1e-9)


def test_spent_beer_has_no_days() -> None:
    assert days_to_end({"staling": 1.0, "haze": 0.0}, ROUTES, planned_c=2, tau_h=5, core_c=20) == (
        0.0,
        "staling",
    )


@pytest.mark.parametrize("route", [Q10Route("haze", 20, 30, 0.5), SquareRootRoute("growth", 20, 10, -4)])
@pytest.mark.parametrize("tau_h", [0.5, 12, 400])
def test_whole_numbers_end_when_a_fine_sum_of_the_rate_says(
    route: Q10Route | SquareRootRoute, tau_h: float
) -> None:
    days, _ = days_to_end({route.name: 0}, [route], planned_c=20, tau_h=tau_h, core_c=2)
    at_h = np.linspace(0, days * 24, 400_001)
    used = np.trapezoid(route.rates(20 + (2 - 20) * np.exp(-at_h / tau_h)), at_h) / 24
    assert used == pytest.approx(1, abs=1e-6)


GROWTH = SquareRootRoute("growth", 20.0, 10.0, 5.0)


def test_growth_that_stops_in_the_cold_ends_in_the_warm_or_never() -> None:
    assert days_to_end({"growth": 0.5}, [GROWTH], planned_c=2, tau_h=12, core_c=20) == (math.inf, "growth")
    assert days_to_end({"growth": 0.5}, [GROWTH], planned_c=2, tau_h=12, core_c=4) == (math.inf, "growth")
    soon, _ = days_to_end({"growth": 0.99}, [GROWTH], planned_c=2, tau_h=12, core_c=20)
    assert project({"growth": 0.99}, [Leg(soon * 24, 2)], routes=[GROWTH], tau_h=12, core_c=20).used[
        "growth"
    ] == pytest.approx(1, abs=1e-9)


def test_growth_waits_until_the_core_is_warm_enough() -> None:
    days, _ = days_to_end({"growth": 1 - 1e-9}, [GROWTH], planned_c=20, tau_h=12, core_c=2)
    # From 2 °C to 5 °C in air of 20 °C, as a core with a time constant of 12 h goes; then soon.
    assert 12 * math.log(18 / 15) <= days * 24 <= 12 * math.log(18 / 15) + 1


def test_path_that_cannot_be_is_refused() -> None:
    with pytest.raises(Invalid, match="legs"):
        project(FRESH, [], routes=ROUTES)
    with pytest.raises(Invalid, match="hours"):
        Leg(-1, 4)
    with pytest.raises(Invalid, match="used"):
        project({"staling": 0.1}, [Leg(1, 4)], routes=ROUTES)
    with pytest.raises(Invalid):
        days_to_end(FRESH, ROUTES, planned_c=4, tau_h=-1, core_c=20)
