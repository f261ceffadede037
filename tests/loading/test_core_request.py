"""A load request is read whole or refused with every fault named."""

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Fault, Invalid
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import RigidAxles, SemiAxles

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"
DECK: dict[str, Any] = json.loads((FIXTURES / "deck_s5_infeasible_fleet.json").read_text("utf-8"))
RIGID = {
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
MISSING = object()


def _with(path: str, value: object) -> dict[str, Any]:
    deck = copy.deepcopy(DECK)
    target: Any = deck
    *parents, last = [int(key) if key.isdigit() else key for key in path.split(".")]
    for key in parents:
        target = target[key]
    if value is MISSING:
        del target[last]
    else:
        target[last] = value
    return deck


def test_semi_trailer_is_read() -> None:
    request = load_request(DECK)
    assert isinstance(request.truck.axles, SemiAxles)
    assert (request.truck.places, request.truck.available) == (10, 1)
    assert request.truck.axles.kingpin_to_bogie_mm == 4200
    assert request.truck.axles.tare_kg == 11_400
    assert [c.id for c in request.temperature_classes] == ["chilled", "ambient"]
    assert request.rules.has_drop_order
    assert request.rules.has_weights_after_drops


def test_rigid_truck_is_read() -> None:
    truck = load_request(_with("truck", RIGID)).truck
    assert isinstance(truck.axles, RigidAxles)
    assert (truck.axles.tare_kg, truck.axles.front_axle_x_mm) == (7500, -900)


def test_rules_may_be_left_out() -> None:
    rules = load_request(_with("rules", {})).rules
    assert rules == load_request(DECK).rules
    assert load_request(_with("rules", MISSING)).rules == rules


FAULTY = [
    ("truck.F0_kg", MISSING, "truck.F0_kg"),
    ("truck.L_s_mm", 0, "truck.L_s_mm"),
    ("truck.WB_mm", float("nan"), "truck.WB_mm"),
    ("truck.e_mm", float("inf"), "truck.e_mm"),
    ("truck.B0_kg", "heavy", "truck.B0_kg"),
    ("truck.B0_kg", True, "truck.B0_kg"),
    ("truck.payload_max_kg", -1, "truck.payload_max_kg"),
    ("truck.gross_max_kg", 5000, "truck.gross_max_kg"),
    ("truck.drive_max_kg", 3000, "truck.drive_max_kg"),
    ("truck.bogie_max_kg", 1e12, "truck.bogie_max_kg"),
    ("truck.K_min_kg", 9000, "truck.K_min_kg"),
    ("truck.drive_min_share_pct", 101, "truck.drive_min_share_pct"),
    ("truck.payload_max_kg", 10**400, "truck.payload_max_kg"),
    ("truck.rows.1.x_mm", -(10**400), "truck.rows[1].x_mm"),
    ("truck.WB_mm", 0.0004, "truck.WB_mm"),
    ("truck.available", -1, "truck.available"),
    ("truck.available", 1.5, "truck.available"),
    ("truck.rows", [], "truck.rows"),
    ("truck.rows", MISSING, "truck.rows"),
    ("truck.rows.1.x_mm", 400, "truck.rows[1].x_mm"),
    ("truck.rows.1.lanes", 0, "truck.rows[1].lanes"),
    ("truck.rows.1", 7, "truck.rows[1]"),
    ("truck.kind", "barge", "truck.kind"),
    ("truck", MISSING, "truck"),
    ("rules.single_compartment", False, "rules.single_compartment"),
    ("rules.max_stops_per_truck", 0, "rules.max_stops_per_truck"),
    ("rules.gaps_allowed", "no", "rules.gaps_allowed"),
    ("rules", [], "rules"),
    ("temperature_classes", MISSING, "temperature_classes"),
    ("temperature_classes.chilled", {"min_c": 6, "max_c": 2}, "temperature_classes.chilled"),
    ("temperature_classes.chilled", {"min_c": 6}, "temperature_classes.chilled.max_c"),
    ("stops", [], "stops"),
    ("stops.1.id", "A", "stops[1].id"),
    ("stops.1.seq", 1, "stops[1].seq"),
    ("stops.1.seq", "late", "stops[1].seq"),
    ("pallets", [], "pallets"),
    ("pallets", "many", "pallets"),
    ("pallets.1.id", "P001", "pallets[1].id"),
    ("pallets.1.id", 5, "pallets[1].id"),
    ("pallets.1.stop", "Z", "pallets[1].stop"),
    ("pallets.1.class", "frozen", "pallets[1].class"),
    ("pallets.1.weight_kg", -500, "pallets[1].weight_kg"),
    ("pallets.1.weight_kg", 0, "pallets[1].weight_kg"),
    ("pallets.1.weight_kg", None, "pallets[1].weight_kg"),
    ("pallets.1", None, "pallets[1]"),
    ("truck_bound", "four", "$.truck_bound"),
]


@pytest.mark.parametrize(
    ("path", "value", "field"), FAULTY, ids=[f"{f}-{k}" for k, (_, _, f) in enumerate(FAULTY)]
)
def test_fault_names_its_field_and_the_mend(path: str, value: object, field: str) -> None:
    with pytest.raises(Invalid) as caught:
        load_request(_with(path, value))
    fault = next(fault for fault in caught.value.faults if fault.field == field)
    assert fault.detail.endswith(".")
    assert fault.mend.endswith(".")


def test_truck_without_axles_is_told_what_axles_are() -> None:
    deck = _with("truck", {key: RIGID[key] for key in ("payload_max_kg", "gross_max_kg", "rows")})
    with pytest.raises(Invalid, match="The truck has no axles") as caught:
        load_request(deck)
    assert 'kind "rigid"' in str(caught.value)


def test_every_fault_is_told_at_once() -> None:
    deck = _with("pallets.0.weight_kg", -1)
    deck["pallets"][1]["weight_kg"] = float("nan")
    deck["truck"]["rows"][0]["lanes"] = "two"
    with pytest.raises(Invalid) as caught:
        load_request(deck)
    assert [fault.field for fault in caught.value.faults] == [
        "truck.rows[0].lanes",
        "pallets[0].weight_kg",
        "pallets[1].weight_kg",
    ]


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.sampled_from([10**400, -(10**400)])
    | st.floats()
    | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)
PATHS = sorted({path for path, _, _ in FAULTY})


@given(st.sampled_from(PATHS), JSON)
def test_any_value_anywhere_is_read_or_refused_in_words(path: str, value: object) -> None:
    faults: tuple[Fault, ...] | None = None
    try:
        load_request(_with(path, value))
    except Invalid as error:
        faults = error.faults
    assert faults is None or all(fault.field and fault.detail and fault.mend for fault in faults)


@given(JSON)
def test_anything_is_read_or_refused_in_words(value: object) -> None:
    with pytest.raises(Invalid):
        load_request(value)
