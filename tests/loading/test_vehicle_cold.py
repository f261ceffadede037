"""A vehicle's cold data are stored as said, or refused with every fault named."""

from typing import Any

import pytest

from rimekeep.errors import Invalid
from rimekeep.loading.core.day import checked_truck

TRUCK: dict[str, Any] = {
    "kind": "rigid",
    "front_axle_x_mm": -900,
    "wheelbase_mm": 5000,
    "front_tare_kg": 4200,
    "rear_tare_kg": 3300,
    "front_max_kg": 7500,
    "rear_max_kg": 11_500,
    "payload_max_kg": 9000,
    "gross_max_kg": 18_000,
    "rows": [{"x_mm": 500, "lanes": 2}],
}
COLD: dict[str, Any] = {
    "wall_area_m2": 92.5,
    "k_w_m2k": 0.4,
    "door_height_m": 2.5,
    "door_width_m": 2.4,
    "has_curtain": True,
    "capacity_w": [
        {"outside_c": 30, "inside_c": 0, "watts": 8100},
        {"difference_k": 50, "inside_c": -20, "watts": 4400},
    ],
}


def test_cold_data_are_kept_and_a_difference_becomes_a_temperature() -> None:
    kept = checked_truck(TRUCK | {"cold": COLD})["cold"]
    assert kept == COLD | {
        "capacity_w": [
            {"outside_c": 30, "inside_c": -20, "watts": 4400},
            {"outside_c": 30, "inside_c": 0, "watts": 8100},
        ]
    }
    assert "cold" not in checked_truck(TRUCK)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"wall_area_m2": 0}, "truck.cold.wall_area_m2"),
        ({"k_w_m2k": "good"}, "truck.cold.k_w_m2k"),
        ({"door_height_m": 2500}, "truck.cold.door_height_m"),
        ({"has_curtain": "yes"}, "truck.cold.has_curtain"),
        ({"colour": "white"}, "truck.cold.colour"),
        ({"capacity_w": 8000}, "truck.cold.capacity_w"),
        ({"capacity_w": [{"inside_c": 0, "watts": 8000}]}, "truck.cold.capacity_w[0]"),
        ({"capacity_w": [{"inside_c": 0, "outside_c": 30}]}, "truck.cold.capacity_w[0].watts"),
        (
            {"capacity_w": [{"inside_c": 0, "outside_c": 30, "difference_k": 30, "watts": 1}]},
            "truck.cold.capacity_w[0]",
        ),
        (
            {
                "capacity_w": [
                    {"inside_c": 0, "outside_c": 30, "watts": 8000},
                    {"inside_c": 0, "difference_k": 30, "watts": 9000},
                ]
            },
            "truck.cold.capacity_w[1]",
        ),
    ],
)
def test_wrong_cold_data_are_refused_by_field(change: dict[str, Any], field: str) -> None:
    with pytest.raises(Invalid) as caught:
        checked_truck(TRUCK | {"cold": COLD | change})
    assert [fault.field for fault in caught.value.faults] == [field]
