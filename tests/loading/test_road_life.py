"""Facts of the road, and what a trip uses up of a pack's life."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rimekeep.loading.core.road_facts import INVENTED, defaults, road_facts
from rimekeep.loading.core.road_life import after_wait_c, core_after_c, life_ahead
from rimekeep.shelflife.core.hours import columns
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.routes import Route

BERLIN = ZoneInfo("Europe/Berlin")
DAY = date(2026, 7, 14)
# Kvasný průmysl 24(2) 30-32 (1978): 101.8 kJ/mol for furfural; lives invented.
ROUTES = (Route("staling", 20, 120, 101.8), Route("haze", 20, 150, 60.0))
PROFILE = Profile(1, 1, ROUTES, 15.0, 4.0, -2.0, 60)


def test_life_on_the_road_agrees_with_an_ode_solver() -> None:
    """DOP853 of dT/dt = (air − T)/τ and dF/dt = exp(−E/R (1/T − 1/T_ref))/L; R = 8.314462618."""
    at_s = np.array([0.0, 3600.0, 3600.0, 7000.0, 16000.0])
    air_c = np.array([4.0, 4.0, 19.0, 5.0, 6.0])
    wait_h, wait_c, core_c = 7.5, 12.0, 3.0
    start = np.zeros(columns(PROFILE))
    start[0], start[3] = 0.2, 0.3
    found = life_ahead(
        start, core_c, PROFILE, budget=1.0, wait_h=wait_h, wait_c=wait_c, at_s=at_s, air_c=air_c
    )

    def slope(air: list[float], span: float):
        def inner(t: float, y: np.ndarray) -> list[float]:
            here = air[0] + (air[1] - air[0]) * t / span
            rates = [
                np.exp(-r.activation_kj_mol * 1000 / 8.314462618 * (1 / (y[0] + 273.15) - 1 / 293.15))
                / (r.reference_life_days * 24)
                for r in ROUTES
            ]
            return [(here - y[0]) / 15.0, *rates]

        return inner

    y = np.array([core_c, 0.2, 0.3])
    marks = []
    for air, hours in [([wait_c, wait_c], wait_h), ([4, 4], 1.0), ([19, 5], 3400 / 3600), ([5, 6], 2.5)]:
        y = solve_ivp(slope(air, hours), (0, hours), y, method="DOP853", rtol=1e-12, atol=1e-13).y[:, -1]
        marks.append(y)
    waited, end = marks[0], marks[-1]
    assert after_wait_c(core_c, wait_c, wait_h, 15.0) == pytest.approx(waited[0], abs=1e-9)
    assert found.core_c == pytest.approx(end[0], abs=1e-9)
    assert core_after_c(float(waited[0]), at_s, air_c, 15.0) == pytest.approx(end[0], abs=1e-9)
    assert found.used["staling"] == pytest.approx(end[1] - waited[1], rel=1e-9)
    assert found.used["haze"] == pytest.approx(end[2] - waited[2], rel=1e-9)
    rate = np.exp(-101_800 / 8.314462618 * (1 / 277.15 - 1 / 293.15)) / 120
    hazing = np.exp(-60_000 / 8.314462618 * (1 / 277.15 - 1 / 293.15)) / 150
    assert found.days_used == pytest.approx(
        max(found.used["staling"] / rate, found.used["haze"] / hazing), rel=1e-9
    )
    # Kept at 4 °C from a core near it, what is left runs off at the steady rate, but for the way back.
    assert found.limited_by == "haze"
    assert found.end_days == pytest.approx((1 - end[2]) / hazing, rel=1e-3)


def test_a_warmer_trip_never_leaves_more_life() -> None:
    start, at_s = np.zeros(columns(PROFILE)), np.array([0.0, 30_000.0])
    ends = [
        life_ahead(
            start, 4.0, PROFILE, budget=1.0, wait_h=0.0, wait_c=4.0, at_s=at_s, air_c=np.full(2, air)
        ).end_days
        for air in (2.0, 4.0, 8.0, 20.0)
    ]
    assert ends == sorted(ends, reverse=True)


def test_what_nobody_said_is_the_sites_or_invented_and_marked_so() -> None:
    facts = road_facts({}, {"drive_minutes": 45.0}, drops=[1, 2], ship_on=DAY, zone=BERLIN)
    assert facts.departs_at == datetime(2026, 7, 14, 4, 0, tzinfo=UTC)
    assert [leg.drive_s for leg in facts.road.legs] == [2700.0, 2700.0]
    basis = {one.name: one.basis for one in facts.assumed}
    assert basis.pop("drive_minutes") == "site"
    assert basis.pop("body_start_c") == "as outside at departure"
    assert set(basis.values()) == {"invented"}
    assert set(basis) == set(INVENTED) - {"drive_minutes"}
    assert {one.name for one in defaults({})} == set(INVENTED)
    assert facts.start_air_c is None
    assert (facts.body_start_c, facts.road.outside_c(0)) == (25.0, 25.0)


def test_what_is_said_of_the_trip_counts_and_is_not_marked() -> None:
    trip = {
        "departs_at": "2026-07-14T08:30:00Z",
        "legs": [{"drop": 2, "drive_minutes": 90, "stop_minutes": 15, "door_open_s": 240}],
        "ambient": [
            {"at": "2026-07-14T10:00:00Z", "temp_c": 26.0},
            {"at": "2026-07-14T08:00:00Z", "temp_c": 21.0},
            {"at": "2026-07-14T12:00:00Z", "temp_c": 29.0},
        ],
        "humidity_pct": 40.0,
        "body_start_c": 30.0,
        "is_precooled": False,
    }
    facts = road_facts(trip, {}, drops=[1, 2], ship_on=DAY, zone=BERLIN)
    assert facts.road.legs[1].drive_s, facts.road.legs[1].door_open_s == (5400.0, 240.0)
    assert [facts.road.outside_c(at_s) for at_s in (-3600, 0, 5399, 5400, 12_600, 99_999)] == [
        21.0, 21.0, 21.0, 26.0, 29.0, 29.0,
    ]  # fmt: skip
    assert (facts.start_air_c, facts.road.humidity_pct) == (30.0, 40.0)
    names = {one.name for one in facts.assumed}
    assert "drive_minutes" in names
    assert not names & {"departs_at_time", "humidity_pct", "body_start_c", "ambient_by_hour_c", "ambient"}
    # Two hours earlier the weather of two hours earlier is met.
    assert facts.road.earlier_by(7200).outside_c(12_600) == 26.0


def test_a_forecast_that_ends_before_the_trip_or_begins_after_it_is_marked() -> None:
    ambient = [{"at": "2026-07-14T05:00:00Z", "temp_c": 21.0}]
    facts = road_facts({"ambient": ambient}, {}, drops=[1, 2, 3], ship_on=DAY, zone=BERLIN)
    assert {one.basis for one in facts.assumed if one.name == "ambient"} == {
        "first point, for the time before it",
        "last point, for what is after it",
    }


def test_the_sites_hours_are_of_its_own_clock() -> None:
    hours = [float(k) for k in range(24)]
    facts = road_facts({}, {"ambient_by_hour_c": hours}, drops=[1, 2], ship_on=DAY, zone=BERLIN)
    assert facts.road.outside_c(0) == 6.0
    assert facts.road.outside_c(3 * 3600) == 9.0
    assert facts.road.outside_c(-3600) == 5.0
