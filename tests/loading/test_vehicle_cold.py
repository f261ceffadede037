"""A vehicle's cold data are stored as said, or refused with every fault named."""

from dataclasses import replace
from typing import Any

import pytest

from rimekeep.errors import Invalid
from rimekeep.loading.core.day import checked_truck
from rimekeep.loading.core.divided import division_of, room_of
from rimekeep.loading.core.fit_out import airs_of, undivided
from rimekeep.loading.core.plan import Compartment
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import SideDoor
from rimekeep.loading.core.vehicle_row import column_of, truck_of_row

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
        ({"bulkhead_w_k": 0}, "truck.cold.bulkhead_w_k"),
        ({"evaporators": []}, "truck.cold.evaporators"),
        ({"evaporators": [{"watts": 3000}] * 4}, "truck.cold.evaporators"),
        ({"evaporators": [{"watts": 0}]}, "truck.cold.evaporators[0].watts"),
        ({"evaporators": [{"watts": 3000, "kw": 3}]}, "truck.cold.evaporators[0].kw"),
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


DIVIDED = COLD | {"bulkhead_w_k": 4.5, "evaporators": [{"watts": 4000}, {"watts": 3000}]}


@pytest.mark.parametrize(
    ("change", "cold", "airs", "why"),
    [
        ({"compartments": 2}, {}, 2, None),
        ({"compartments": 3}, {}, 2, None),
        ({}, {}, 1, None),
        ({"compartments": 2}, {"bulkhead_w_k": None}, 1, "it lacks cold.bulkhead_w_k"),
        ({"compartments": 2}, {"evaporators": [{"watts": 4000}]}, 1, "it lacks cold.evaporators"),
        ({"compartments": 2}, {"k_w_m2k": None}, 1, "it lacks cold.k_w_m2k"),
        ({"compartments": 2, "kind": "drawbar"}, {}, 1, "its cold is reckoned for one body, and it has two"),
    ],
)
def test_a_vehicle_is_divided_only_with_the_data_for_it(
    change: dict[str, Any], cold: dict[str, Any], airs: int, why: str | None
) -> None:
    kept = {key: value for key, value in (DIVIDED | cold).items() if value is not None}
    truck = TRUCK | {"cold": kept} | change
    assert (airs_of(truck), undivided(truck)) == (airs, why)


def test_one_row_of_a_file_tells_bulkheads_and_evaporators() -> None:
    cells = {"kind": "rigid", "compartments": 2.0, "bulkhead_after_rows": "1 2", "cold_bulkhead_w_k": 4.5,
             "cold_evaporators": "4000 3000"}  # fmt: skip
    assert truck_of_row(cells) == {
        "kind": "rigid",
        "compartments": 2,
        "bulkhead_after_rows": [1, 2],
        "cold": {"bulkhead_w_k": 4.5, "evaporators": [{"watts": 4000}, {"watts": 3000}]},
    }
    assert column_of("truck.cold.evaporators[1].watts") == "cold_evaporators"


def test_walls_and_inside_are_shared_by_length() -> None:
    """Rows of pallets 0.8 m deep every 1.2 m: a bulkhead behind the second at 2.4 m, the last ends at 7 m."""
    rows = [{"x_mm": 600 + 1200 * r, "lanes": 2, "place": "800x1200"} for r in range(6)]
    request = load_request(
        {
            "truck": TRUCK | {"rows": rows, "compartments": 2},
            "rules": {"single_compartment": False},
            "temperature_classes": {"any": {"min_c": 0, "max_c": 0}},
            "stops": [{"id": "any", "seq": 1}],
            "pallets": [{"id": "p", "stop": "any", "class": "any", "weight_kg": 1}],
        }
    )
    rooms = (Compartment(0, 1, 2, 6), Compartment(2, 5, 8, 12))
    (truck,) = request.trucks
    front, rear = division_of(truck, rooms, DIVIDED).parts
    assert front.share == pytest.approx(2.4 / 7.0)
    assert (front.share + rear.share, front.evaporator_w, rear.evaporator_w) == (1.0, 4000, 3000)
    assert (front.setpoint_c, rear.setpoint_c) == (4, 10)
    longer = replace(truck, decks_mm=((0, 7500.0, 2450.0),))
    assert division_of(longer, rooms, DIVIDED).parts[0].share == pytest.approx(2.4 / 7.5)
    beside = replace(truck, side_doors=(SideDoor(0, 1, is_left=False),))
    assert [part.has_side_door for part in division_of(beside, rooms, DIVIDED).parts] == [True, False]
    across = replace(truck, side_doors=(SideDoor(1, 2, is_left=False),))
    assert not any(part.has_side_door for part in division_of(across, rooms, DIVIDED).parts)
    assert room_of(rooms, 3) == 1
