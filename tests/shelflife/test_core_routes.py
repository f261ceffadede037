"""Routes of ageing: three shapes, their slopes, and their integrals against QUADPACK."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from rimekeep.errors import Invalid
from rimekeep.shelflife.core.kinetics import q10_rate, square_root_rate
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.routes import AnyRoute, Q10Route, Route, SquareRootRoute, route_from
from rimekeep.shelflife.core.segments import BY_PARAMETER, BY_WARMTH, USED, Segments, segment_sums

ROUTES: list[AnyRoute] = [
    Route("staling", 20, 120, 101.8),
    Q10Route("haze", 20, 150, 2.4),
    SquareRootRoute("growth", 12, 60, 3.5),
]


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.form)
def test_life_at_the_reference_is_the_reference_life(route: AnyRoute) -> None:
    assert 1 / route.rate_per_day(route.reference_c) == pytest.approx(route.reference_life_days)


def test_forms_agree_with_their_published_laws() -> None:
    temps = np.linspace(-2, 35, 50)
    assert ROUTES[1].rates(temps) == pytest.approx(
        q10_rate(temps, reference_c=20, reference_life_days=150, q10=2.4)
    )
    # sqrt(rate) = b (T - T_min), with b from the life at the reference temperature.
    b = 1 / (math.sqrt(60) * (12 - 3.5))
    assert ROUTES[2].rates(temps) == pytest.approx(square_root_rate(temps, b=b, t_min_c=3.5))


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.form)
def test_slopes_are_those_of_central_differences(route: AnyRoute) -> None:
    temps = np.array([-1.0, 4.0, 5.5, 12.0, 25.0])
    by_parameter, by_warmth = route.slopes(temps, route.rates(temps))
    step = 1e-5
    value = getattr(route, route.parameter_field)
    facts = {"form": route.form, "name": "x", "reference_c": route.reference_c,
             "reference_life_days": route.reference_life_days}  # fmt: skip
    up, down = (
        route_from({**facts, route.parameter_field: value + sign * step}).rates(temps) for sign in (1, -1)
    )
    assert by_parameter == pytest.approx((up - down) / (2 * step), rel=1e-6, abs=1e-12)
    difference = (route.rates(temps + step) - route.rates(temps - step)) / (2 * step)
    assert by_warmth == pytest.approx(difference, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.form)
@pytest.mark.parametrize("tau_h", [0.0, 7.0])
def test_integrals_over_a_segment_agree_with_quadpack(route: AnyRoute, tau_h: float) -> None:
    hours, start_c, end_c, core_c = 30.0, 1.0, 8.0, 14.0
    slope = (end_c - start_c) / hours

    def core(h: float) -> float:
        # Closed form of dT/dt = (air - T)/tau for linear air.
        air = start_c + slope * h
        if tau_h == 0:
            return air
        return air - slope * tau_h + (core_c - start_c + slope * tau_h) * math.exp(-h / tau_h)

    bends = [] if route.bend_c is None else list(np.linspace(0, hours, 400))
    points = [h for a, h in itertools.pairwise(bends) if (core(a) - 3.5) * (core(h) - 3.5) <= 0]

    def integral(of: int) -> float:
        def rate(h: float) -> float:
            temp = np.array([core(h)])
            rates = route.rates(temp)
            return float((rates, *route.slopes(temp, rates))[of][0])

        return quad(rate, 0, hours, epsabs=1e-14, epsrel=1e-12, limit=400, points=points or None)[0] / 24

    found = segment_sums(
        Segments(*(np.array([value]) for value in (hours, start_c, end_c, core_c))),
        routes=[route],
        tau_h=tau_h,
    )[0, :, 0]
    assert found[USED] == pytest.approx(integral(0), rel=1e-10)
    assert found[BY_PARAMETER] == pytest.approx(integral(1), rel=1e-6, abs=1e-9)
    assert found[BY_WARMTH] == pytest.approx(integral(2), rel=1e-6)


@given(st.floats(-5, 40), st.floats(0.1, 30))
def test_a_warmer_core_never_leaves_more_life(temp_c: float, warmer_c: float) -> None:
    for route in ROUTES:
        assert route.rate_per_day(temp_c + warmer_c) >= route.rate_per_day(temp_c)


@pytest.mark.parametrize(
    ("given_", "field"),
    [
        ({"form": "exponential"}, "form"),
        ({"form": "q10"}, "q10"),
        ({"form": "square root", "t_min_c": 25.0}, "t_min_c"),
        ({"activation_kj_mol": 90.0, "parameter_sd": -1.0}, "activation_sd_kj_mol"),
        ({"activation_kj_mol": 90.0, "correlation": 2.0}, "correlation"),
        ({"activation_kj_mol": float("nan")}, "activation_kj_mol"),
    ],
)
def test_routes_no_beer_has_are_refused_by_name(given_: dict[str, object], field: str) -> None:
    with pytest.raises(Invalid) as told:
        route_from({"name": "x", "reference_c": 20, "reference_life_days": 100, **given_})
    assert told.value.faults[0].field == field


def test_oxygen_scales_life_only_when_qa_has_set_an_exponent() -> None:
    off = Profile(1, 1, (ROUTES[0],), 12, 4, -2, 60)
    on = Profile(1, 1, (ROUTES[0],), 12, 4, -2, 60, oxygen_ref_ppb=50, oxygen_exponent=0.5)
    assert off.budget(400.0) == 1.0
    # Own arithmetic: (50/200)^0.5 = 0.5.
    assert on.budget(200.0) == pytest.approx(0.5)
    assert on.budget(None) == 1.0
