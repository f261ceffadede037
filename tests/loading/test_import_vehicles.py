"""The fleet from files: columns become a truck, faults name line and column, a second run changes nothing."""

import json
from typing import Any

import pytest

from builders.fleets import CENTRE_AXLE, RIGID
from rimekeep.loading import queries, usecases
from rimekeep.loading.core.day import checked_truck
from rimekeep.loading.core.vehicle_row import truck_of_row
from rimekeep.platform.csvfile import ImportReport, read_rows
from rimekeep.platform.jsonfile import read_json_rows

HEAD = (
    "code;name;planned_c;kind;pallet;front_axle_x_mm;wheelbase_mm;front_tare_kg;rear_tare_kg;front_max_kg;"
    "rear_max_kg;payload_max_kg;gross_max_kg;rows;deck_length_mm;deck_width_mm;cold_wall_area_m2;"
    "cold_capacity_w;has_ramps\n"
)
ROWS = "T1;Truck 1 (invented);3,5;rigid;1000x1200;-900;4900;4900;4600;7500;11500;8300;18000;500:2 1500:2;;;92,5;30/0:8100 30/-20:4400;yes\n"
DECK = "T2;Truck 2 (invented);;rigid;800x1200;-900;4900;4900;4600;7500;11500;8300;18000;;7200;2450;;;\n"


def _load(api: Any, database: Any, clock: Any, content: str) -> ImportReport:
    rows = read_rows(content.encode(), usecases.VEHICLE_COLUMNS)
    with database.transaction() as session:
        return usecases.import_vehicles(
            session, clock.now, api.callers["dispatcher"], rows, lambda _done, _total: None
        )


def test_fleet_is_registered_and_a_second_run_changes_nothing(api, database, clock):
    first = _load(api, database, clock, HEAD + ROWS + DECK)
    assert (first.created, first.faults) == (2, [])
    shown = {one["code"]: one for one in api.ok("GET", "/v1/vehicles")["items"]}
    assert shown["T1"]["truck"]["rows"] == [{"x_mm": 500, "lanes": 2}, {"x_mm": 1500, "lanes": 2}]
    assert shown["T1"]["truck"]["cold"] == {
        "wall_area_m2": 92.5,
        "capacity_w": [
            {"outside_c": 30, "inside_c": -20, "watts": 4400},
            {"outside_c": 30, "inside_c": 0, "watts": 8100},
        ],
    }
    assert shown["T2"]["truck"]["deck"] == {"length_mm": 7200, "width_mm": 2450}
    again = _load(api, database, clock, HEAD + ROWS + DECK)
    assert (again.created, again.unchanged, again.faults) == (0, 2, [])


def test_a_vehicle_says_what_it_lacks_for_each_use(api, database, clock):
    _load(api, database, clock, HEAD + ROWS + DECK)
    missing = {one["code"]: one["missing"] for one in api.ok("GET", "/v1/vehicles")["items"]}
    assert missing["T1"] == {
        "weight_profile": ["rear_axles"],
        "body": ["body_height_mm", "door_height_mm"],
        "cold": ["cold.k_w_m2k", "cold.door_height_m", "cold.door_width_m", "cold.has_curtain"],
    }
    assert missing["T2"]["unloading"] == ["tail_lift_max_kg"]


@pytest.mark.parametrize(
    ("before", "after", "column", "words"),
    [
        ("4900;4900;4600", "0;4900;4600", "wheelbase_mm", "above 0"),
        ("500:2 1500:2", "1500:2 500:2", "rows", "not behind"),
        ("500:2 1500:2", "500 1500:2", "rows", "whole number"),
        ("500:2 1500:2", "", "rows", "missing or empty"),
        ("30/0:8100", "30:8100", "cold_capacity_w", "finite number"),
        (";7500;", ";heavy;", "front_max_kg", "not a number"),
        (";7500;", ";4000;", "front_max_kg", "4900 kg and may carry 4000"),
        ("rigid", "sledge", "kind", "not a kind"),
    ],
)  # fmt: skip
def test_fault_names_line_and_column_and_nothing_is_stored(
    api, database, clock, before, after, column, words
):
    report = _load(api, database, clock, HEAD + DECK + ROWS.replace(before, after))
    found = [(one.line, one.column) for one in report.faults if words in f"{one.detail} {one.mend}"]
    assert (3, column) in found, report.faults
    with database.transaction(readonly=True) as session:
        assert queries.all_vehicles(session, api.callers["dispatcher"].site_id) == []


def test_a_vehicle_stored_otherwise_is_a_fault(api, database, clock):
    _load(api, database, clock, HEAD + ROWS)
    report = _load(api, database, clock, HEAD + ROWS.replace("18000", "17000"))
    assert [(one.line, one.column) for one in report.faults] == [(2, "code")]


def test_pounds_and_inches_are_taken_where_they_are_said() -> None:
    """International pound and inch: 0.45359237 kg, 25.4 mm."""
    content = [
        {
            "code": "T1", "name": "Box (invented)", "kind": "rigid", "front_axle_x_in": -35, "wheelbase_in": 193,
            "front_tare_lb": 10_000, "rear_tare_lb": 9000, "front_max_lb": 14_000, "rear_max_lb": 21_000,
            "payload_max_lb": 15_000, "gross_max_lb": 33_000, "deck_length_ft": 24, "deck_width_in": 98,
        }
    ]  # fmt: skip
    rows = read_json_rows(json.dumps(content).encode(), usecases.VEHICLE_COLUMNS)
    assert rows.faults == []
    truck = checked_truck(truck_of_row(rows.rows[0].values))
    assert (truck["wheelbase_mm"], truck["front_tare_kg"]) == (4902.2, 4535.924)
    assert truck["gross_max_kg"] == 14_968.548


def test_combination_is_one_row() -> None:
    row: dict[str, Any] = {
        **{key: value for key, value in CENTRE_AXLE.items() if key not in ("rows", "trailer", "name")},
        **{
            f"trailer_{key}": value
            for key, value in CENTRE_AXLE["trailer"].items()
            if key not in ("rows", "max_kg")
        },
        "trailer_axle_max_kg": 18_000,
        "rows": "500:2 1500:2",
        "trailer_rows": "500:2 1500:2 2500:2",
    }
    truck = checked_truck(truck_of_row(row))
    assert truck["trailer"] == CENTRE_AXLE["trailer"]
    assert truck["coupling_x_mm"] == CENTRE_AXLE["coupling_x_mm"]


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"gross_max": 18_000}, "truck.gross_max", "has no unit"),
        ({"gross_max_lb": 40_000}, "truck.gross_max_lb", "gross_max_kg says"),
        ({"units": "lb"}, "truck.units", "may contradict"),
        ({"wheelbase_mm": 0}, "truck.wheelbase_mm", "above 0"),
        ({"rear_axles": 2, "rear_spacing_mm": 8001}, "truck", None),
    ],
)
def test_units_and_axles_that_cannot_be_meant_are_refused(
    change: dict[str, Any], field: str, words: str | None
) -> None:
    from rimekeep.errors import Invalid

    with pytest.raises(Invalid) as caught:
        checked_truck({key: value for key, value in RIGID.items() if key != "name"} | change)
    named = {fault.field: f"{fault.detail} {fault.mend}" for fault in caught.value.faults}
    if words is None:
        assert any("5000" in text or "wrong order" in text for text in named.values())
    else:
        assert words in named[field]
