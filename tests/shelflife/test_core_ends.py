"""Ends of life and their uncertainty, against root finding and simulation."""

from __future__ import annotations

import numpy as np
import pytest

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.ends import GAP_ERROR_C, ends, remarks
from rimekeep.shelflife.core.exposure import life_used
from rimekeep.shelflife.core.history import lived
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.projection import days_to_end
from rimekeep.shelflife.core.routes import AnyRoute, Q10Route, Route, SquareRootRoute

HOURS = np.arange(0, 24 * 30 + 1, 0.5)
AIR_C = 5 + 2 * np.sin(HOURS / 5)
AIR = Air(HOURS * 3600, AIR_C, np.empty((0, 2)))
ROUTES: tuple[AnyRoute, ...] = (
    Route("staling", 20, 90, 101.8),
    Q10Route("haze", 20, 150, 2.4),
    SquareRootRoute("growth", 12, 60, 2.0),
)


def profile(*routes: AnyRoute, tau_h: float = 18.0, planned_c: float = 4.0) -> Profile:
    return Profile(1, 1, routes, tau_h, planned_c, -2.0, 60)


@pytest.mark.parametrize("core_c", [4.0, 1.0, 12.0, 25.0])
@pytest.mark.parametrize("spent", [0.1, 0.9, 0.97, 0.995])
def test_ends_are_where_a_root_finder_puts_them(core_c: float, spent: float) -> None:
    own = profile(*ROUTES)
    sums = np.zeros((1, 10))
    sums[0, [0, 3, 6]] = [spent, spent / 2, spent / 3]
    shares = {"staling": spent, "haze": spent / 2, "growth": spent / 3}
    found = ends(sums, np.array([core_c]), own)
    days, limiting = days_to_end(shares, ROUTES, planned_c=4.0, tau_h=18.0, core_c=core_c)
    assert found.days[0] == pytest.approx(days, rel=1e-8)
    assert ROUTES[found.limiting[0]].name == limiting


def test_cautious_date_is_the_tenth_percentile_of_a_simulation() -> None:
    # Life and activation energy drawn together 4,000 times; each draw's end by its own integration.
    rng = np.random.default_rng(7)
    life_sd, energy_sd, rho = 6.0, 4.0, 0.3
    own = profile(Route("staling", 20, 90, 101.8, life_sd, energy_sd, rho))
    course = lived([AIR], own, start_core_c=10.0)
    found = ends(course.total[None, :], course.core_c[-1:], own)
    drawn = rng.multivariate_normal(
        [90, 101.8],
        [[life_sd**2, rho * life_sd * energy_sd], [rho * life_sd * energy_sd, energy_sd**2]],
        size=4000,
    )
    simulated = []
    for life_days, energy in drawn[:400]:
        route = Route("staling", 20, float(life_days), float(energy))
        used = life_used(HOURS, AIR_C, routes=[route], tau_h=18.0, start_c=10.0)
        simulated.append(
            days_to_end(used, [route], planned_c=4.0, tau_h=18.0, core_c=float(course.core_c[-1]))[0]
        )
    spread = found.days[0] - found.cautious_days[0]
    assert np.median(simulated) == pytest.approx(found.days[0], abs=0.25 * spread)
    # First order and 400 draws: the percentile itself wanders by a tenth of the spread.
    assert np.percentile(simulated, 10) == pytest.approx(found.cautious_days[0], abs=0.35 * spread)
    assert spread > 10


def test_a_gap_widens_the_estimate_and_nothing_else() -> None:
    own = profile(Route("staling", 20, 90, 101.8))
    gap = Air(AIR.at_s, AIR.temp_c, np.array([[100 * 3600.0, 300 * 3600.0]]))
    sure, unsure = (
        ends(course.total[None, :], course.core_c[-1:], own)
        for course in (lived([air], own, start_core_c=5.0) for air in (AIR, gap))
    )
    assert sure.cautious_days[0] == sure.days[0] == pytest.approx(unsure.days[0])
    assert unsure.cautious_days[0] < unsure.days[0]
    # Own arithmetic: were the air of the gap 3 K warmer, the end would move by what is taken off (first order).
    warm = AIR_C + np.where((HOURS >= 100) & (HOURS < 300), 0.01, 0.0)
    more = life_used(HOURS, warm, routes=own.routes, tau_h=18.0, start_c=5.0)["staling"]
    less = life_used(HOURS, AIR_C, routes=own.routes, tau_h=18.0, start_c=5.0)["staling"]
    per_k = (more - less) / 0.01 / own.routes[0].rate_per_day(4.0)
    assert (unsure.days[0] - unsure.cautious_days[0]) == pytest.approx(1.2816 * GAP_ERROR_C * per_k, rel=0.05)


def test_thin_calibrations_say_so() -> None:
    known = Route("staling", 20, 90, 101.8, 9.0, 5.0)
    assert remarks(profile(known)) == []
    assert "no standard deviations" in remarks(profile(Route("staling", 20, 90, 101.8)))[0]
    wide = remarks(profile(Route("staling", 20, 90, 101.8, 45.0, 60.0)))
    assert len(wide) == 2
    assert "± 50%" in wide[0]


def test_a_route_that_does_not_run_at_the_planned_temperature_ends_nothing() -> None:
    own = profile(SquareRootRoute("growth", 12, 60, 6.0))
    sums = np.zeros((1, 4))
    sums[0, 0] = 0.5
    assert ends(sums, np.array([4.0]), own).days[0] > 10_000
