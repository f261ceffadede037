"""The road ahead: doors, capacity, and the exact solution against an ODE solver."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from rimekeep.errors import Invalid
from rimekeep.loading.core.aboard import Load
from rimekeep.loading.core.box import Running, air_at
from rimekeep.loading.core.decays import Decays
from rimekeep.loading.core.door import density_kg_m3, door_peak_w, enthalpy_j_kg, humidity_ratio
from rimekeep.loading.core.reefer import Body, Capacity, CapacityPoint, read_body
from rimekeep.loading.core.road import Leg, Road, forecast, halts, precool_s
from rimekeep.loading.core.road_cold import RoadCold
from rimekeep.loading.core.road_help import Asked, remedies, short_w

# Plate figures of an invented unit on an invented body of 150 m² with K at the limit of ATP's better class.
COLD: dict[str, Any] = {
    "wall_area_m2": 150.0,
    "k_w_m2k": 0.4,
    "capacity_w": [
        {"outside_c": 30, "inside_c": -20, "watts": 6000},
        {"outside_c": 30, "inside_c": 0, "watts": 9000},
        {"outside_c": 30, "inside_c": 12, "watts": 10000},
        {"outside_c": 10, "inside_c": 0, "watts": 11000},
    ],
    "door_height_m": 2.6,
    "door_width_m": 2.5,
    "has_curtain": False,
}
BODY = read_body(COLD)
PALLET_J_K = 900 * 4000.0
DAY = ((0.0, 18.0), (3600.0, 24.0), (7200.0, 29.0), (10800.0, 30.0))


def road(*legs: Leg, ambient: tuple[tuple[float, float], ...] = DAY) -> Road:
    return Road(legs or (Leg(3600, 1200, 600),) * 4, ambient, 60.0, 0.8, 0.8)


def pallets(count: int = 12, core_c: float = 7.0, drops: int = 4) -> list[Load]:
    return [Load(k, 1 + k % drops, PALLET_J_K, (14 + k % 3) * 3600.0, core_c + k % 2) for k in range(count)]


def cold(body: Body = BODY, way: Road | None = None, loads: list[Load] | None = None, **kw: Any) -> RoadCold:
    facts = {"setpoint_c": 4.0, "low_c": 2.0, "high_c": 6.0, **kw}
    return forecast(body, way or road(), pallets() if loads is None else loads, **facts)


def test_waiting_for_a_drop_to_open_is_a_longer_way_with_shut_doors() -> None:
    """Its balance is that of the same trip driven so much slower; common practice, no source."""
    waiting = road(Leg(3600, 1200, 600), Leg(1800, 900, 600, opens_s=9000), Leg(1800, 900, 600, opens_s=100))
    slower = road(Leg(3600, 1200, 600), Leg(4200, 900, 600), Leg(1800, 900, 600))
    one, other = cold(way=waiting), cold(way=slower)
    assert (one.legs, one.cores) == (other.legs, other.cores)
    reached = halts(waiting.legs)
    assert [(halt.arrives_s, halt.waits_s) for halt in reached] == [(3600, 0), (6600, 2400), (11_700, 0)]
    # Who leaves an hour sooner waits an hour more.
    assert [halt.waits_s for halt in halts(waiting.earlier_by(3600).legs)] == [0, 6000, 0]


# --- moist air and doors


def test_moist_air_agrees_with_the_psychrometric_chart() -> None:
    """
    Moist air at 25 °C and 50 %, sea level: 9.9 g/kg, 50.3 kJ/kg, 0.858 m³/kg of dry air.

    Psychrometric chart of the refrigeration handbooks, from memory.
    """
    water = humidity_ratio(25, 50)
    assert water * 1000 == pytest.approx(9.9, abs=0.05)
    assert enthalpy_j_kg(25, water) / 1000 == pytest.approx(50.3, abs=0.15)
    assert (1 + water) / density_kg_m3(25, water) == pytest.approx(0.858, abs=0.001)


def test_the_door_factor_agrees_with_another_publication_of_the_formula() -> None:
    """
    T. Jekel, "Door infiltration estimator" (2017): 13.26 A (1 − ρ_o/ρ_i)^½ (g H)^½ F_m in ft³/min, here in SI.

    Volume exchanged times density times enthalpy difference; written out with feet and g of 32.174 ft/s².
    """
    for outside_c, inside_c, humidity in ((30, 4, 60), (35, -20, 40), (12, 2, 80)):
        outer, inner = humidity_ratio(outside_c, humidity), humidity_ratio(inside_c, 90)
        light, heavy = density_kg_m3(outside_c, outer), density_kg_m3(inside_c, inner)
        feet = 1 / 0.3048
        area_ft2, height_ft = 2.5 * 2.6 * feet**2, 2.6 * feet
        factor = (2 / (1 + (heavy / light) ** (1 / 3))) ** 1.5
        cfm = 13.26 * area_ft2 * math.sqrt(1 - light / heavy) * math.sqrt(32.174 * height_ft) * factor
        flow_m3_s = cfm / 60 / feet**3
        gain = enthalpy_j_kg(outside_c, outer) - enthalpy_j_kg(inside_c, inner)
        found = door_peak_w(
            width_m=2.5, height_m=2.6, outside_c=outside_c, inside_c=inside_c, outside_humidity_pct=humidity
        )
        assert found == pytest.approx(flow_m3_s * heavy * gain, rel=1e-4)


@given(st.floats(-10, 45), st.floats(-25, 12), st.floats(0, 100))
def test_a_door_lets_heat_in_only_from_the_warmer_side_and_more_through_a_larger_one(
    outside_c: float, inside_c: float, humidity: float
) -> None:
    facts = {"outside_c": outside_c, "inside_c": inside_c, "outside_humidity_pct": humidity}
    small = door_peak_w(width_m=1.0, height_m=2.0, **facts)
    assert small >= 0
    assert door_peak_w(width_m=2.0, height_m=2.0, **facts) == pytest.approx(2 * small)
    # Flow goes with the root of the height, and the area with the height itself.
    assert door_peak_w(width_m=1.0, height_m=4.0, **facts) == pytest.approx(2**1.5 * small)
    if outside_c < inside_c - 1:
        assert small == 0


@pytest.mark.parametrize(
    ("name", "value"), [("width_m", 0), ("height_m", -1), ("outside_c", 300), ("outside_humidity_pct", 101)]
)
def test_impossible_doors_are_refused(name: str, value: float) -> None:
    facts = {"width_m": 2.0, "height_m": 2.0, "outside_c": 30, "inside_c": 4, "outside_humidity_pct": 50}
    with pytest.raises(Invalid):
        door_peak_w(**{**facts, name: value})


# --- capacity


def test_capacity_is_linear_between_the_points_and_goes_through_them() -> None:
    for point in COLD["capacity_w"]:
        assert BODY.capacity.line(point["outside_c"]).at(point["inside_c"]) == point["watts"]
    assert BODY.capacity.line(30).at(-10) == 7500
    assert BODY.capacity.line(20).at(0) == 10000
    # Halfway between 30 °C (9500 at 6 °C) and 10 °C (11000, its only point).
    assert BODY.capacity.line(20).at(6) == pytest.approx(10250)


def test_capacity_is_not_extrapolated_to_where_it_would_be_more_than_stated() -> None:
    assert BODY.capacity.line(-5).at(0) == 11000
    assert BODY.capacity.line(30).at(40) == 10000
    assert BODY.capacity.is_known(30, -20)
    assert BODY.capacity.is_known(5, 4)
    assert not BODY.capacity.is_known(30.1, 4)
    assert not BODY.capacity.is_known(25, -1)


@pytest.mark.parametrize(
    "points",
    [
        [],
        [CapacityPoint(30, 0, 1), CapacityPoint(30, 0, 2)],
        [CapacityPoint(30, -20, 5000), CapacityPoint(30, 0, 4000)],
        [CapacityPoint(30, 0, -1)],
        [CapacityPoint(math.nan, 0, 1)],
    ],
)
def test_a_capacity_that_cannot_be_is_refused(points: list[CapacityPoint]) -> None:
    with pytest.raises(Invalid):
        Capacity.of(points)


def test_data_no_body_has_are_named_by_field() -> None:
    with pytest.raises(Invalid) as caught:
        read_body({**COLD, "wall_area_m2": "wide", "has_curtain": 3, "capacity_w": [{"outside_c": 30}]})
    assert {fault.field for fault in caught.value.faults} == {
        "truck.cold.wall_area_m2",
        "truck.cold.has_curtain",
        "truck.cold.capacity_w[0].inside_c",
        "truck.cold.capacity_w[0].watts",
    }


# --- sums of exponentials


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(1e-6, 1e-1)), max_size=5), st.floats(-20, 20))
def test_a_sum_has_no_change_of_sign_before_the_first_one_told(
    terms: list[tuple[float, float]], level: float
) -> None:
    made = Decays(level, np.array([c for c, _ in terms]), np.array([r for _, r in terms]))
    until = 1e5
    found = made.first_zero(until)
    fine = made.on(np.linspace(0, until if found is None else found, 4001))[1:-1]
    clear = fine[np.abs(fine) > 1e-6]
    assert clear.size == 0 or (clear > 0).all() or (clear < 0).all()
    if found is not None:
        assert abs(made.at(found)) < 1e-6


def test_the_integral_agrees_with_quadrature() -> None:
    """QUADPACK through scipy."""
    made = Decays(3.0, np.array([5.0, -2.0, 1.0]), np.array([1e-3, 2e-5, 0.0]))
    assert made.integral(7000.0) == pytest.approx(quad(made.at, 0, 7000, epsabs=1e-9)[0], rel=1e-10)


# --- the exact solution against a solver that steps


def stepped(
    body: Body, way: Road, loads: list[Load], start_c: float, setpoint_c: float
) -> list[tuple[float, list[float]]]:
    """
    Air and cores at the end of each leg by DOP853, every load with an equation of its own.

    The thermostat is told by events: cooling at its most until the air is down, holding while the demand is
    below the capacity. Written anew, from the equations.
    """
    air, cores, at_s = start_c, [one.core_c for one in loads], 0.0
    here = list(range(len(loads)))
    found = []
    before = Leg(0, 0, 0)
    for drop, leg in enumerate(way.legs, 1):
        end_s = at_s + before.stop_s + leg.drive_s
        cuts = sorted(
            {at_s, at_s + before.door_open_s, end_s} | {p for p, _ in way.ambient if at_s < p < end_s}
        )
        for low, high in pairwise(cuts):
            outside = [temp for point, temp in way.ambient if point <= low][-1]
            is_open = low < at_s + before.door_open_s
            air, values = phase(
                body,
                way,
                [loads[k] for k in here],
                air,
                [cores[k] for k in here],
                outside,
                is_open,
                high - low,
                setpoint_c,
            )
            for k, value in zip(here, values, strict=True):
                cores[k] = value
        found.append((air, [cores[k] for k in here]))
        here = [k for k in here if loads[k].drop != drop]
        at_s, before = end_s, leg
    return found


def phase(
    body: Body, way: Road, loads: list[Load], air: float, cores: list[float], outside: float,
    is_open: bool, span: float, setpoint_c: float,
) -> tuple[float, list[float]]:  # fmt: skip
    heats = np.array([one.heat_j_k for one in loads])
    taus = np.array([one.tau_s for one in loads])
    tie = body.wall_area_m2 * body.k_w_m2k
    if is_open:
        peak = door_peak_w(
            width_m=body.door_width_m, height_m=body.door_height_m, outside_c=outside, inside_c=setpoint_c,
            outside_humidity_pct=way.humidity_pct,
        )  # fmt: skip
        tie += (
            peak
            * way.flow_factor
            * (1 - (way.curtain_share if body.has_curtain else 0))
            / (outside - setpoint_c)
        )
    line = body.capacity.line(outside)

    def demand(y: np.ndarray, air_c: float) -> float:
        return tie * (outside - air_c) + float(((y - air_c) * heats / taus).sum())

    def falling(taken: Callable[[float], float]) -> Callable[[float, np.ndarray], np.ndarray]:
        def slope(_t: float, y: np.ndarray) -> np.ndarray:
            return np.concatenate(
                [[(demand(y[1:], y[0]) - taken(y[0])) / body.heat_j_k], (y[0] - y[1:]) / taus]
            )

        return slope

    t, y = 0.0, np.array([air, *cores])
    options: dict[str, Any] = {"method": "DOP853", "rtol": 1e-11, "atol": 1e-11}
    while t < span - 1e-9:
        if is_open:
            y = solve_ivp(falling(lambda _: 0.0), (t, span), y, **options).y[:, -1]
            t = span
        elif y[0] > setpoint_c + 1e-7 or demand(y[1:], setpoint_c) > line.at(setpoint_c) + 1e-6:

            def down(_t: float, y: np.ndarray) -> float:
                return float(y[0] - setpoint_c)

            down.terminal, down.direction = True, -1  # type: ignore[attr-defined]
            done = solve_ivp(falling(line.at), (t, span), y, events=down, max_step=200, **options)
            t, y = done.t[-1], done.y[:, -1]
            if done.t_events[0].size:
                y[0] = setpoint_c
        else:

            def over(_t: float, y: np.ndarray) -> float:
                return demand(y[1:], setpoint_c) - line.at(setpoint_c)

            over.terminal, over.direction = True, 1  # type: ignore[attr-defined]

            def hold(_t: float, y: np.ndarray) -> np.ndarray:
                return np.concatenate([[0.0], (setpoint_c - y[1:]) / taus])

            done = solve_ivp(hold, (t, span), y, events=over, max_step=200, **options)
            t, y = done.t[-1], done.y[:, -1]
    return float(y[0]), y[1:].tolist()


SCENES = {
    "held": (BODY, road(), pallets(), 4.0),
    "not pre-cooled, warm goods": (BODY, road(), pallets(24, core_c=14.0), 18.0),
    "too weak": (replace(BODY, wall_area_m2=900.0), road(), pallets(8), 4.0),
    "with a curtain": (replace(BODY, has_curtain=True), road(), pallets(20, core_c=9.0), 4.0),
    "over the bend at 12 °C": (replace(BODY, wall_area_m2=1400.0), road(), pallets(4, core_c=20.0), 25.0),
    "goods colder than the set point": (BODY, road(), pallets(16, core_c=0.0), 4.0),
}


@pytest.mark.parametrize("name", SCENES)
def test_air_and_cores_agree_with_an_ode_solver(name: str) -> None:
    """scipy's DOP853 at 1e-11, with its own events; every load by itself."""
    body, way, loads, start_c = SCENES[name]
    found = forecast(body, way, loads, setpoint_c=4.0, low_c=2.0, high_c=6.0, start_air_c=start_c)
    wanted = stepped(body, way, loads, start_c, 4.0)
    for leg, (air, _) in zip(found.legs, wanted, strict=True):
        assert leg.air_end_c == pytest.approx(air, abs=1e-6)
    for drop, (_, cores) in enumerate(wanted, 1):
        left = [one for one in loads if one.drop >= drop]
        for one, core in zip(left, cores, strict=True):
            if one.drop == drop:
                assert found.cores[one.key] == pytest.approx(core, abs=1e-6)


# --- what must hold of any trip


trips = st.builds(
    lambda area, legs, ambient, core, start, curtain: (
        replace(BODY, wall_area_m2=area, has_curtain=curtain),
        road(*legs, ambient=tuple((3600.0 * k, temp) for k, temp in enumerate(ambient))),
        pallets(9, core_c=core, drops=len(legs)),
        start,
    ),
    st.floats(20, 900),
    st.lists(
        st.builds(
            lambda drive, stop, share: Leg(drive, stop, stop * share),
            st.floats(0, 9000),
            st.floats(0, 3600),
            st.floats(0, 1),
        ),
        min_size=1,
        max_size=5,
    ),
    st.lists(st.floats(-15, 38), min_size=1, max_size=6),
    st.floats(-2, 20),
    st.floats(-10, 30),
    st.booleans(),
)


@given(trips)
def test_heat_is_neither_made_nor_lost_and_the_margin_tells_what_the_air_does(trip: Any) -> None:
    body, way, loads, start = trip
    found = forecast(body, way, loads, setpoint_c=4.0, low_c=2.0, high_c=6.0, start_air_c=start)
    for leg in found.legs:
        own = [one for one in found.stretches if leg.from_s - 1e-6 <= one.start_s < leg.until_s - 1e-9]
        # Air and goods never leave the range of what they are between.
        low = min(start, 4.0, min(temp for _, temp in way.ambient), *(one.core_c for one in loads))
        high = max(start, 4.0, max(temp for _, temp in way.ambient), *(one.core_c for one in loads))
        assert low - 1e-6 <= leg.air_end_c <= high + 1e-6
        running_s = leg.until_s - leg.from_s
        if running_s < 60 or all(one.running == Running.OFF for one in own):
            continue
        shut_s = sum(one.length_s for one in own if one.running != Running.OFF)
        cooled_w = sum(one.cooled_j for one in own) / shut_s
        behind_w = body.heat_j_k * (leg.air_end_c - 4.0) / shut_s
        assert leg.demand_w == pytest.approx(cooled_w + behind_w, rel=1e-6, abs=1e-2 * 3600 / shut_s)
        # What is asked only falls where the outside stays and no goods are colder than the air.
        outside = {way.outside_c(leg.from_s)} | {
            temp for at, temp in way.ambient if leg.from_s < at < leg.until_s
        }
        if len(outside) == 1 and min(one.core_c for one in loads) >= 4.0 and start >= 4.0:
            assert (leg.air_end_c > 4.0 + 1e-6) == (leg.margin_w < -1e-3 * 3600 / shut_s)


@given(trips)
def test_a_warmer_day_never_leaves_anything_colder(trip: Any) -> None:
    body, way, loads, start = trip
    warmer = replace(way, ambient=tuple((at, temp + 3.0) for at, temp in way.ambient))
    flat = replace(body, capacity=Capacity.of([CapacityPoint(40, -30, 5000), CapacityPoint(40, 10, 9000)]))
    facts = {"setpoint_c": 4.0, "low_c": 2.0, "high_c": 6.0, "start_air_c": start}
    one, other = forecast(flat, way, loads, **facts), forecast(flat, warmer, loads, **facts)
    for key, core in one.cores.items():
        assert other.cores[key] >= core - 1e-6


def test_the_air_told_between_the_ends_is_one_curve() -> None:
    found = cold()
    for left, right in pairwise(found.stretches):
        assert left.start_s + left.length_s == pytest.approx(right.start_s)
        assert left.air.at(left.length_s) == pytest.approx(right.air.at(0), abs=1e-6)
    at_s, air_c = found.knots(7000.0)
    assert (at_s[0], at_s[-1]) == (0.0, 7000.0)
    assert (np.diff(at_s) > 0).all()
    assert air_c == pytest.approx(air_at(found.stretches, at_s))


# --- verdicts


def test_walls_alone_are_held_with_the_margin_of_a_hand_calculation() -> None:
    """Energy balance by hand: 150 m² × 0.4 × (30 − 4) K = 1560 W against 9333 W at 4 °C inside."""
    found = cold(way=road(Leg(7200, 0, 0), ambient=((0.0, 30.0),)), loads=[])
    (leg,) = found.legs
    assert leg.walls_w == pytest.approx(1560)
    assert leg.capacity_w == pytest.approx(9000 + 1000 * 4 / 12)
    assert leg.margin_w == pytest.approx(9000 + 1000 / 3 - 1560)
    assert (found.verdict, found.is_held, leg.air_end_c) == ("yes", True, 4.0)


def test_a_reefer_that_cannot_hold_it_says_no_and_names_the_hottest_leg() -> None:
    weak = replace(BODY, wall_area_m2=900.0)
    found = cold(weak, loads=[])
    assert found.verdict == "no"
    assert found.hottest.drop == max(found.legs, key=lambda leg: leg.air_end_c).drop
    assert found.hottest.air_end_c > 6.0
    assert found.hottest.margin_w < 0
    asked = Asked(weak, road(), (), 4.0, 2.0, 6.0)
    extra = short_w(asked)
    assert extra is not None
    assert extra > 0
    points = [CapacityPoint(o, i, w + extra) for (o, i, w) in points_of(weak.capacity)]
    assert cold(replace(weak, capacity=Capacity.of(points)), loads=[]).hottest.air_end_c == pytest.approx(
        6, abs=0.01
    )


def points_of(capacity: Capacity) -> list[tuple[float, float, float]]:
    return [
        (outside, inside, watts)
        for outside, line in capacity.lines
        for inside, watts in zip(line.inside_c, line.watts, strict=True)
    ]


def test_hotter_than_the_plate_tells_is_unknown_unless_it_is_a_no_anyway() -> None:
    hot = ((0.0, 38.0),)
    assert cold(way=road(ambient=hot), loads=[]).verdict == "unknown"
    assert cold(replace(BODY, wall_area_m2=900.0), road(ambient=hot), []).verdict == "no"


def test_a_frosty_day_is_too_cold_where_the_unit_cannot_heat_enough() -> None:
    frost = replace(BODY, wall_area_m2=900.0)
    found = cold(frost, road(ambient=((0.0, -25.0),)), [])
    assert (found.verdict, found.is_too_cold, found.is_too_warm) == ("no", True, False)


def asked_for(**changed: Any) -> Asked:
    return replace(Asked(BODY, road(), tuple(pallets()), 4.0, 2.0, 6.0), **changed)


def kinds(asked: Asked, **others: Body) -> list[str]:
    assert asked.answer().verdict == "no"
    return [one.kind for one in remedies(asked, others=others)]


def test_what_would_do_is_tried_and_told() -> None:
    # An open door for 15 minutes at every stop, and 40 minutes of road: a curtain is what is missing.
    short = road(*(Leg(2400, 900, 900),) * 4, ambient=((0.0, 28.0),))
    open_doors = asked_for(road=short, loads=())
    assert kinds(open_doors) == ["curtain"]
    # Left standing in the sun until departure, for a drop around the corner.
    corner = road(Leg(900, 600, 600), ambient=((0.0, 28.0),))
    assert "precool_body" in kinds(asked_for(road=corner, loads=(), start_air_c=28.0))
    # Goods from a hot hall.
    hall = tuple(replace(one, core_c=38.0) for one in pallets(33, drops=1))
    assert kinds(asked_for(road=corner, loads=hall)) == ["cool_goods"]
    # Weak walls and a hot afternoon: leave in the cool morning, or take the better vehicle.
    weak = replace(BODY, wall_area_m2=1200.0)
    noon = tuple((3600.0 * (k - 6), 8.0 if k < 6 else 30.0) for k in range(12))
    late = asked_for(body=weak, loads=(), road=road(Leg(3600, 0, 0), ambient=noon))
    assert kinds(late, good=BODY, bad=weak) == ["earlier", "other_vehicle"]
    assert "good" in remedies(late, others={"good": BODY})[-1].text
    assert [one.kind for one in remedies(late, others={}, most_hours_earlier=0)] == []


def test_two_things_that_only_help_together_are_told_together() -> None:
    short = road(*(Leg(1800, 900, 900),) * 4, ambient=((0.0, 28.0),))
    both = asked_for(road=short, loads=tuple(replace(one, core_c=38.0) for one in pallets(6)))
    (found,) = remedies(both, others={})
    assert found.kind == "together"
    assert "curtain" in found.text
    assert "cool the goods" in found.text


def test_a_body_is_precooled_in_the_time_of_the_closed_form() -> None:
    """One time constant: t = τ ln((T₀ − T*)/(T_set − T*)), by hand, at a capacity flat over the inside."""
    flat = replace(BODY, capacity=Capacity.of([CapacityPoint(30, -20, 5000)]))
    wall_w_k = 150 * 0.4
    rest_c = 30 - 5000 / wall_w_k
    tau_s = BODY.heat_j_k / wall_w_k
    wanted = tau_s * math.log((30 - rest_c) / (4 - rest_c))
    assert precool_s(flat, start_c=30, setpoint_c=4, outside_c=30) == pytest.approx(wanted, rel=1e-9)
    assert precool_s(BODY, start_c=4, setpoint_c=4, outside_c=20) == 0
    assert precool_s(replace(flat, wall_area_m2=1000.0), start_c=30, setpoint_c=4, outside_c=30) is None


def test_goods_for_a_drop_are_told_as_they_leave_and_the_rest_ride_on() -> None:
    loads = [
        Load(1, 1, 1e6, 3600.0, 10.0),
        Load(2, 2, 2e6, 3600.0, 10.0),
        Load(3, 9, 1e6, 3600.0, 10.0),
    ]
    found = cold(way=road(Leg(3600, 0, 0), Leg(3600, 0, 0), ambient=((0.0, 20.0),)), loads=loads)
    # Air held at 4 °C: one time constant leaves 1/e of the difference, two leave 1/e².
    assert found.is_held
    assert found.cores[1] == pytest.approx(4 + 6 / math.e)
    assert pytest.approx(found.cores[2]) == found.cores[3] == pytest.approx(4 + 6 / math.e**2)


def test_air_beyond_what_moist_air_is_fitted_for_is_still_reckoned_with() -> None:
    found = cold(way=road(ambient=((0.0, 75.0),)), loads=[])
    assert found.verdict == "no"
    deep = forecast(BODY, road(), pallets(), setpoint_c=-50.0, low_c=-55.0, high_c=-48.0)
    assert deep.verdict in ("no", "unknown")
