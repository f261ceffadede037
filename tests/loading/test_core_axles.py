"""Axle statics and the bridge formula against moment equilibrium worked elsewhere and the law's own table."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.loading.core.axles import (
    bridge_limit_lb,
    kingpin_and_bogie_kg,
    over_bridge_lb,
    rigid_axles_kg,
    tractor_axles_kg,
)

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"
RECORDS: dict[str, dict[str, Any]] = {
    record["id"]: record
    for record in json.loads((FIXTURES / "laws_and_statics.json").read_text("utf-8"))["records"]
}
BRIDGE = [r for key, r in RECORDS.items() if key.startswith("bridge_") and "axles" in r["given"]]


@pytest.mark.parametrize("record", BRIDGE, ids=lambda r: r["id"])
def test_bridge_limit_agrees_with_the_law(record: dict[str, Any]) -> None:
    """23 U.S.C. 127(a)(2)."""
    given_ = record["given"]
    limit = bridge_limit_lb(given_["axles"], given_["feet"], is_two_tandems=given_.get("two_tandems", False))
    assert limit == record["expected"]


def test_two_tandem_exception_needs_its_distance_and_its_axles() -> None:
    assert bridge_limit_lb(4, 36) == 66_000
    assert bridge_limit_lb(4, 35, is_two_tandems=True) == bridge_limit_lb(4, 35)
    assert bridge_limit_lb(5, 36, is_two_tandems=True) == bridge_limit_lb(5, 36)
    assert bridge_limit_lb(4, 50, is_two_tandems=True) == bridge_limit_lb(4, 50)


@given(st.integers(2, 9), st.floats(1, 100))
def test_bridge_limit_is_whole_500s_capped_and_grows_with_length(axles: int, feet: float) -> None:
    limit = bridge_limit_lb(axles, feet)
    assert limit % 500 == 0
    assert limit <= 80_000
    assert bridge_limit_lb(axles, feet + 1) >= limit


def test_axle_groups_over_the_bridge_limit_are_named() -> None:
    assert over_bridge_lb([12_000, 17_000, 17_000], [0, 16, 20]) == []
    # Two axles 4 ft apart: 500 (4 · 2/1 + 24 + 36) = 34,000 lb.
    assert over_bridge_lb([17_500, 17_000], [0, 4]) == [(0, 1, 500)]
    with pytest.raises(Invalid, match="one position per axle"):
        over_bridge_lb([1], [0, 4])


@pytest.mark.parametrize(("axles", "feet"), [(1, 10), (2, 0), (2, -1), (2, float("nan")), (2, float("inf"))])
def test_bridge_limit_refuses_what_spans_nothing(axles: int, feet: float) -> None:
    with pytest.raises(Invalid):
        bridge_limit_lb(axles, feet)


def test_tractor_axles_agree_with_moment_equilibrium() -> None:
    """Record ``axle_tractor``."""
    record = RECORDS["axle_tractor"]
    g = record["given"]
    front, drive = tractor_axles_kg(
        g["K_kg"],
        front_tare_kg=g["F0_kg"],
        drive_tare_kg=g["D0_kg"],
        e_mm=g["e_cm"] * 10,
        wheelbase_mm=g["WB_cm"] * 10,
    )
    assert [float(front), float(drive)] == pytest.approx(record["expected"], abs=1e-9)


def test_unloading_from_the_doors_first_overloads_the_drive_axle() -> None:
    """Record ``axle_after_drops``: every row of the table to the kilogram."""
    record = RECORDS["axle_after_drops"]
    g = record["given"]
    x_mm = np.array([500 + 1000 * (p // 2) for p in range(g["pallets"])])
    seen = []
    for row in record["computed"]:
        masses = np.where(np.arange(g["pallets"]) < row["pallets_left"], g["weight_kg"], 0)
        kingpin, bogie = kingpin_and_bogie_kg(masses, x_mm, d_k_mm=g["d_k_mm"], l_s_mm=g["L_s_mm"])
        front, drive = tractor_axles_kg(
            kingpin,
            front_tare_kg=g["F0"],
            drive_tare_kg=g["D0"],
            e_mm=g["e_mm"],
            wheelbase_mm=g["WB_mm"],
        )
        got = (float(kingpin), float(front), float(drive), float(bogie) + g["B0"])
        assert got == pytest.approx([row[key] for key in ("K", "front", "drive", "bogie")], abs=0.51)
        seen.append(float(drive))
    assert seen[0] <= 11_500 < seen[1]


def test_many_states_are_computed_at_once() -> None:
    masses = np.array([[800, 800], [800, 0]])
    kingpin, bogie = kingpin_and_bogie_kg(masses, [900, 5100], d_k_mm=900, l_s_mm=4200)
    assert kingpin.tolist() == [800, 800]
    assert bogie.tolist() == [800, 0]


@given(
    st.lists(st.tuples(st.integers(0, 2000), st.integers(-500, 14_000)), max_size=12),
    st.integers(-2000, 2000),
    st.integers(1000, 9000),
)
def test_supports_carry_the_load_and_hold_its_moment(
    pallets: list[tuple[int, int]], first_mm: int, span_mm: int
) -> None:
    """Forces and moments of a beam on two supports sum to nothing."""
    masses, x_mm = [m for m, _ in pallets], [x for _, x in pallets]
    for ahead, behind in (
        kingpin_and_bogie_kg(masses, x_mm, d_k_mm=first_mm, l_s_mm=span_mm),
        rigid_axles_kg(masses, x_mm, front_axle_x_mm=first_mm, wheelbase_mm=span_mm),
    ):
        assert float(ahead + behind) == pytest.approx(sum(masses), abs=1e-6)
        moment = float(ahead) * first_mm + float(behind) * (first_mm + span_mm)
        assert moment == pytest.approx(sum(m * x for m, x in pallets), rel=1e-9, abs=1e-3)


def test_rigid_truck_adds_its_tares() -> None:
    front, rear = rigid_axles_kg(
        [1000], [1500], front_axle_x_mm=-1000, wheelbase_mm=5000, front_tare_kg=4000, rear_tare_kg=3000
    )
    assert (float(front), float(rear)) == (4500, 3500)


def test_wrong_figures_are_refused() -> None:
    with pytest.raises(Invalid, match="negative"):
        kingpin_and_bogie_kg([-1], [0], d_k_mm=0, l_s_mm=1)
    with pytest.raises(Invalid, match="finite"):
        kingpin_and_bogie_kg([float("nan")], [0], d_k_mm=0, l_s_mm=1)
    with pytest.raises(Invalid, match="one position per mass"):
        kingpin_and_bogie_kg([1, 2], [0, 1, 2], d_k_mm=0, l_s_mm=1)
    with pytest.raises(Invalid, match="l_s_mm"):
        kingpin_and_bogie_kg([1], [0], d_k_mm=0, l_s_mm=0)
    with pytest.raises(Invalid, match="wheelbase_mm"):
        tractor_axles_kg(1, front_tare_kg=0, drive_tare_kg=0, e_mm=0, wheelbase_mm=0)
    with pytest.raises(Invalid, match="wheelbase_mm"):
        rigid_axles_kg([1], [0], front_axle_x_mm=0, wheelbase_mm=-1)
