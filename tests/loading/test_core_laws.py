"""Weight limits, lashings and heat against the records of laws and standards."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.loading.core.heat import (
    capacity_needed_w,
    door_energy_j,
    door_load_w,
    product_load_w,
    wall_load_w,
)
from rimekeep.loading.core.limits import (
    EU_LIMITS,
    US_GROSS_MAX_LB,
    US_SINGLE_AXLE_MAX_LB,
    US_TANDEM_AXLE_MAX_LB,
    eu_drive_min_t,
    eu_limit_t,
)
from rimekeep.loading.core.securing import lashings_needed, tiedowns_for_working_load, tiedowns_required

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"
RECORDS: list[dict[str, Any]] = json.loads((FIXTURES / "laws_and_statics.json").read_text("utf-8"))["records"]
BY_ID = {record["id"]: record for record in RECORDS}


def _of(topic: str) -> list[dict[str, Any]]:
    return [record for record in RECORDS if record["topic"] == topic]


@pytest.mark.parametrize(
    "record", [r for r in _of("EU 96/53/EC") if "item" in r["given"]], ids=lambda r: r["id"]
)
def test_eu_limit_agrees_with_the_directive(record: dict[str, Any]) -> None:
    """Directive 96/53/EC, Annex I, points 2 and 3."""
    item = record["given"]["item"]
    assert eu_limit_t(item) == record["expected"]
    point = next(limit.point for limit in EU_LIMITS if limit.item == item)
    assert record["source"].endswith(f"point {point}")


def test_driving_axle_carries_a_quarter() -> None:
    """Directive 96/53/EC, Annex I, point 4.1."""
    record = BY_ID["eu_drive_share"]
    assert eu_drive_min_t(record["given"]["gross_t"]) == record["expected"]


def test_us_axle_caps_agree_with_the_law() -> None:
    """23 U.S.C. 127(a)(2)."""
    assert BY_ID["bridge_axle_caps"]["expected"] == {
        "single": US_SINGLE_AXLE_MAX_LB,
        "tandem": US_TANDEM_AXLE_MAX_LB,
        "gross": US_GROSS_MAX_LB,
    }


@pytest.mark.parametrize("record", _of("EN 12195-1 top-over lashing"), ids=lambda r: r["id"])
def test_lashings_agree_with_the_friction_formula(record: dict[str, Any]) -> None:
    """EN 12195-1:2010."""
    g = record["given"]
    count = lashings_needed(
        g["mass_kg"],
        friction=g["mu"],
        angle_deg=g["alpha_deg"],
        tension_dan=g["tension_daN"],
        acceleration=g["c"],
        safety_factor=g["fs"],
    )
    assert count == record["expected"]


@given(
    st.floats(0, 30_000),
    st.floats(0.01, 1),
    st.floats(1, 90),
    st.floats(50, 1000),
    st.floats(0, 1),
    st.floats(1, 2),
)
def test_lashings_hold_and_one_fewer_would_not(
    mass: float, mu: float, angle: float, tension: float, c: float, fs: float
) -> None:
    def needed(m: float) -> int:
        return lashings_needed(
            m, friction=mu, angle_deg=angle, tension_dan=tension, acceleration=c, safety_factor=fs
        )

    count = needed(mass)
    assert count >= 0
    assert needed(mass * 2) >= count
    if mu >= c or mass == 0:
        assert count == 0


def test_friction_alone_holds_at_the_boundary() -> None:
    def count(friction: float) -> int:
        return lashings_needed(
            4000, friction=friction, angle_deg=90, tension_dan=300, acceleration=0.5, safety_factor=1.1
        )

    assert count(0.5) == 0
    assert count(0.4999) == 1


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("mass_kg", -1),
        ("friction", 0),
        ("angle_deg", 0),
        ("angle_deg", 91),
        ("tension_dan", 0),
        ("acceleration", -0.1),
        ("safety_factor", 0.9),
        ("mass_kg", float("nan")),
    ],
)
def test_impossible_lashing_figures_are_refused(name: str, value: float) -> None:
    figures = {"mass_kg": 1000.0, "friction": 0.3, "angle_deg": 60, "tension_dan": 300}
    figures |= {"acceleration": 0.8, "safety_factor": 1.25, name: value}
    with pytest.raises(Invalid) as caught:
        lashings_needed(**figures)
    assert caught.value.faults[0].field == name


@pytest.mark.parametrize("record", _of("US tiedown count"), ids=lambda r: r["id"])
def test_tiedowns_agree_with_the_rule(record: dict[str, Any]) -> None:
    """49 CFR 393.110(b)-(c)."""
    g = record["given"]
    count = tiedowns_required(g["length_ft"], g["weight_lb"], blocked_forward=g["blocked_forward"])
    assert count == record["expected"]


@pytest.mark.parametrize(
    ("length_ft", "weight_lb", "blocked", "count"),
    [
        (5, 1100, False, 1),
        (5.01, 1100, False, 2),
        (10, 100, False, 2),
        (10.1, 100, False, 3),
        (10, 1, True, 1),
        (10.1, 1, True, 2),
    ],
)
def test_tiedown_boundaries(length_ft: float, weight_lb: float, blocked: bool, count: int) -> None:
    """49 CFR 393.110(b)-(c), at its own limits."""
    assert tiedowns_required(length_ft, weight_lb, blocked_forward=blocked) == count


@pytest.mark.parametrize("record", _of("US aggregate working load limit"), ids=lambda r: r["id"])
def test_working_load_agrees_with_the_rule(record: dict[str, Any]) -> None:
    """49 CFR 393.106(d)."""
    g = record["given"]
    count = tiedowns_for_working_load(
        g["weight_lb"],
        working_load_limit_lb=g["tiedown_wll_lb"],
        is_vehicle_to_cargo=g["vehicle_to_cargo"],
    )
    assert count == record["expected"]


def test_tiedowns_ending_at_the_cargo_count_half() -> None:
    """49 CFR 393.106(d)."""
    over = tiedowns_for_working_load(10_000, working_load_limit_lb=1000, is_vehicle_to_cargo=False)
    onto = tiedowns_for_working_load(10_000, working_load_limit_lb=1000, is_vehicle_to_cargo=True)
    assert (over, onto) == (5, 10)


def test_wall_load_and_class_capacity_agree_with_atp() -> None:
    """ATP Annex 1 and its Appendix 2."""
    g = BY_ID["reefer_KS"]["given"]
    load = wall_load_w(g["S_m2"], g["K_W_m2K"], g["dT_K"])
    assert load == pytest.approx(BY_ID["reefer_KS"]["expected"], abs=0.05)
    record = BY_ID["reefer_safety"]
    needed = capacity_needed_w(record["given"]["Q_W"], factor=record["given"]["factor"])
    assert needed == pytest.approx(record["expected"], abs=0.05)
    assert wall_load_w(100, 0.4, -10) == -400


def test_door_energy_agrees_with_the_balance() -> None:
    """Record ``door_energy_per_drop``."""
    record = BY_ID["door_energy_per_drop"]
    g = record["given"]
    energy = door_energy_j(
        peak_w=g["peak_kW"] * 1000,
        open_s=g["open_min"] * 60,
        flow_factor=g["flow_factor"],
        protection=g["protection"],
    )
    assert energy / 1e6 == pytest.approx(record["computed"]["MJ"], abs=0.005)
    assert energy / 3.6e6 == pytest.approx(record["computed"]["kWh"], abs=0.005)


def test_door_load_spreads_every_opening_over_the_trip() -> None:
    load = door_load_w(peak_w=10_000, open_s=360, stops=4, trip_hours=4, flow_factor=1.0)
    assert load == pytest.approx(1000)
    assert door_load_w(peak_w=10_000, open_s=360, stops=4, trip_hours=4, protection=1.0) == 0


def test_warm_product_is_a_load_and_cold_product_a_relief() -> None:
    assert product_load_w(3600, 4000, 2, 8) == pytest.approx(1000)
    assert product_load_w(3600, 4000, -2, 8) == pytest.approx(-1000)


def test_impossible_heat_figures_are_refused() -> None:
    with pytest.raises(Invalid):
        wall_load_w(-1, 0.4, 10)
    with pytest.raises(Invalid):
        wall_load_w(1, 0.4, float("inf"))
    with pytest.raises(Invalid):
        product_load_w(1, 1, 1, 0)
    with pytest.raises(Invalid):
        product_load_w(1, 1, float("nan"), 1)
    with pytest.raises(Invalid):
        door_energy_j(peak_w=1, open_s=1, flow_factor=1.1)
    with pytest.raises(Invalid):
        door_load_w(peak_w=1, open_s=1, stops=1, trip_hours=0)
