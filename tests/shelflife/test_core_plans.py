"""Plans for a pack: against lumped cooling worked by hand and the equations of projection."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rimekeep.errors import Invalid
from rimekeep.shelflife.core.plans import after, may_wait, wait_cost_days
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.projection import Leg, project
from rimekeep.shelflife.core.routes import Route

STALING = Route("staling", 20, 120, 101.8)


def profile(tau_h: float = 19.67, planned_c: float = 4.0) -> Profile:
    return Profile(1, 1, (STALING,), tau_h, planned_c, -2.0, 60)


def test_a_planned_way_uses_what_projection_says() -> None:
    legs = [Leg(48, 2), Leg(3, 12), Leg(6, 4), Leg(240, 20)]
    sums = np.array([0.2, 0.0, 0.0, 0.0])
    planned = after(sums, 3.0, legs, profile())
    told = project({"staling": 0.2}, legs, routes=[STALING], tau_h=19.67, core_c=3.0)
    assert planned.used(profile()) == pytest.approx(told.used, rel=1e-10)
    assert planned.core_c == pytest.approx(told.core_c)


def test_ten_days_on_a_shelf_at_twenty_degrees_cost_ten_reference_days() -> None:
    # Own arithmetic: no lag, 10 of 120 days.
    planned = after(np.zeros(4), 20.0, [Leg(240, 20)], profile(tau_h=0.0))
    assert planned.used(profile())["staling"] == pytest.approx(10 / 120)


def test_core_on_the_dock_follows_lumped_warming() -> None:
    # T(t) = air + (core - air) exp(-t/tau): Çengel, Introduction to Thermodynamics and Heat Transfer, ch. 11.
    wait = may_wait(4.0, 20.0, profile(), core_limit_c=8.0)
    assert wait.core_h == pytest.approx(19.67 * math.log(16 / 12))
    assert wait.hours == wait.core_h
    assert may_wait(4.0, 6.0, profile(), core_limit_c=8.0).hours is None
    assert may_wait(9.0, 20.0, profile(), core_limit_c=8.0).hours == 0.0
    assert may_wait(4.0, 20.0, profile(tau_h=0.0), core_limit_c=8.0).hours == 0.0
    # Cooling: a core above the limit that would get too cold.
    assert may_wait(4.0, -10.0, profile(), core_limit_c=-2.0).core_h == pytest.approx(
        19.67 * math.log(14 / 8)
    )


def test_the_wait_that_costs_a_day_costs_a_day() -> None:
    wait = may_wait(4.0, 20.0, profile(), life_days=1.0)
    assert wait.life_h is not None
    assert wait_cost_days(wait.life_h, 4.0, 20.0, profile()) == pytest.approx(1.0, abs=1e-5)
    # Without lag, the cost a day is the ratio of the rates less one (own arithmetic).
    ratio = STALING.rate_per_day(20) / STALING.rate_per_day(4)
    quick = may_wait(4.0, 20.0, profile(tau_h=0.0), life_days=1.0)
    assert quick.life_h == pytest.approx(24 / (ratio - 1))
    assert may_wait(4.0, 4.0, profile(), life_days=1.0).life_h is None


@pytest.mark.parametrize("bad", [{"life_days": 0.0}, {"life_days": math.inf}, {"core_limit_c": 200.0}])
def test_limits_that_say_nothing_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(Invalid):
        may_wait(4.0, 20.0, profile(), **bad)
