"""What a pack lived through, without a database."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.costs import on_route, path_costs, window_costs
from rimekeep.shelflife.core.ends import LONGEST_DAYS, ends
from rimekeep.shelflife.core.history import frozen_at_s, lived, spent_at_s
from rimekeep.shelflife.core.hours import Course
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.projection import days_to_end
from rimekeep.shelflife.core.routes import Route

ROUTES = (Route("staling", 20, 120, 101.8), Route("haze", 20, 150, 60))
PROFILE = Profile(1, 1, ROUTES, 12.0, 4.0, -2.0, 60)


def constant(from_h: float, to_h: float, temp_c: float) -> Air:
    return Air(np.array([from_h, to_h]) * 3600.0, np.full(2, float(temp_c)), np.empty((0, 2)))


def test_core_crosses_rooms_without_a_jump() -> None:
    course = lived([constant(0, 6, 20), constant(6, 30, 2)], PROFILE, start_core_c=20.0)
    # Own arithmetic: 2 + 18·exp(−24/12).
    assert course.core_c.tolist() == pytest.approx([20, 20, 20, 2 + 18 * np.exp(-2)])


def test_life_in_constant_air_is_time_times_rate() -> None:
    course = lived([constant(0, 240, 20)], PROFILE, start_core_c=20.0)
    assert course.used[:, -1].tolist() == pytest.approx([10 / 120, 10 / 150], rel=1e-12)


def test_first_route_to_be_used_up_ends_life_when_it_is() -> None:
    """Own arithmetic: at 20 °C staling takes 120 days and haze 150."""
    course = lived([constant(0, 119 * 24, 20), constant(119 * 24, 200 * 24, 20)], PROFILE, start_core_c=20.0)
    assert spent_at_s(course) == (pytest.approx(120 * 86_400), 0)
    assert spent_at_s(lived([constant(0, 119 * 24, 20)], PROFILE, start_core_c=20.0)) is None


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 0.999), st.floats(0, 1.2)), min_size=1, max_size=6),
    st.lists(st.floats(-2, 30), min_size=6, max_size=6),
    st.sampled_from([0.0, 0.5, 12.0, 200.0]),
)
def test_many_packs_end_when_each_alone_would(
    used: list[tuple[float, float]], cores: list[float], tau_h: float
) -> None:
    profile = Profile(1, 1, ROUTES, tau_h, 4.0, -2.0, 60)
    core_c = np.array(cores[: len(used)])
    sums = np.zeros((len(used), 7))
    sums[:, [0, 3]] = used
    found = ends(sums, core_c, profile)
    for row, (shares, core) in enumerate(zip(used, core_c, strict=True)):
        if max(shares) >= 1:
            assert found.days[row] <= 1e-8
            continue
        alone, name = days_to_end(
            {"staling": shares[0], "haze": shares[1]}, ROUTES, planned_c=4.0, tau_h=tau_h, core_c=float(core)
        )
        assert found.days[row] == pytest.approx(alone, rel=1e-8, abs=1e-8)
        assert ROUTES[found.limiting[row]].name == name or abs(shares[0] - shares[1]) < 1e-6


def test_end_far_away_stays_within_the_calendar() -> None:
    slow = Profile(1, 1, (Route("haze", 20, 36_500, 100),), 12.0, -50.0, -2.0, 60)
    assert ends(np.zeros((1, 4)), np.array([-50.0]), slow).days.tolist() == [LONGEST_DAYS]


@pytest.mark.parametrize(
    ("core_c", "minutes", "expected"),
    [
        ([0, -1, 0], 0, None),
        ([0, -4, -4], 10, 900.0),
        ([-4, -4, 0], 15, 900.0),
        # Below for 600 s from 300 s on, and for 900 s.
        ([0, -4, 0], 10, 900.0),
        ([0, -4, 0], 11, None),
        ([0, -4, 0, -4, -4], 12, 2220.0),
        ([-2, -2, -2], 0, None),
    ],
)
def test_core_counts_as_frozen_after_its_minutes_without_a_break(
    core_c: list[float], minutes: float, expected: float | None
) -> None:
    at_s = np.arange(len(core_c)) * 600.0
    assert frozen_at_s(at_s, np.array(core_c, dtype=float), limit_c=-2.0, minutes=minutes) == expected


def test_cost_of_a_warm_hour_includes_the_way_back() -> None:
    """Independent: closed-form core, adaptive quadrature of the rate, with and without the warm hour."""
    tau_h, warm_h = 12.0, 1.0
    costs = path_costs(
        [constant(0, 100, 4)], [constant(100, 101, 25)], [constant(100, 101, 4)], PROFILE, start_core_c=4.0
    )
    lost = on_route(costs[:, None], np.array([1]))[0]
    room = window_costs(
        Course.of(constant(100, 101, 25), tau_h=tau_h),
        PROFILE,
        core_c=np.array([4.0, 4.0]),
        from_s=np.full(2, 100 * 3600.0),
        to_s=np.full(2, 101 * 3600.0),
        planned_c=4.0,
    )
    assert room == pytest.approx(np.repeat(costs[:, None], 2, axis=1), rel=1e-9)

    def rate(core_c: float) -> float:
        # The second route: it is the one that ends this beer first in the cold.
        return float(np.exp(-60e3 / 8.314462618 * (1 / (core_c + 273.15) - 1 / 293.15)) / 150)

    during = quad(lambda t: rate(25 - 21 * np.exp(-t / tau_h)) - rate(4), 0, warm_h, epsabs=1e-14)[0]
    rise_c = 21 * (1 - np.exp(-warm_h / tau_h))
    after = quad(lambda t: rate(4 + rise_c * np.exp(-t / tau_h)) - rate(4), 0, 480, epsabs=1e-14, limit=200)[
        0
    ]
    assert lost == pytest.approx((during + after) / 24 / rate(4), rel=1e-8)
    assert after > 5 * during


@settings(max_examples=40, deadline=None)
@given(st.floats(-2, 30), st.floats(0.1, 48))
def test_longer_warmth_never_costs_less(temp_c: float, hours: float) -> None:
    def cost(length: float) -> float:
        costs = path_costs(
            [], [constant(0, length, temp_c)], [constant(0, length, 4)], PROFILE, start_core_c=4.0
        )
        return float(on_route(costs[:, None], np.array([-1]))[0])

    assert cost(hours) <= cost(hours * 1.5) + 1e-12
    assert cost(hours) == 0 or temp_c > 4


def test_label_ends_at_local_midnight_whatever_the_season() -> None:
    prague = ZoneInfo("Europe/Prague")
    # EU Directive 2000/84/EC: summer time ran from 29 March 2026, so these midnights lie at 23:00 and 22:00 UTC.
    assert label_end(date(2026, 3, 27), prague) == datetime(2026, 3, 27, 23, tzinfo=UTC)
    assert label_end(date(2026, 3, 30), prague) == datetime(2026, 3, 30, 22, tzinfo=UTC)
    ends = [label_end(date(9999, 12, day), prague) for day in (28, 29, 31)]
    assert all(earlier <= later for earlier, later in itertools.pairwise(ends))
