"""Products, places and lots: what is taken in, and how what cannot be meant is refused."""

from __future__ import annotations

from typing import Any

import pytest

from builders.api import Api
from builders.stock import new_gtin

PRODUCT = {
    "sku": "LAG-50", "name": "Invented lager, bottles", "gtin": "9521234000013", "package": "bottle", "abv_pct": 5.0,
    "original_extract_p": 11.8, "alcohol_mass_pct": 4.0, "case_mass_kg": 18.5, "cases_per_layer": 8,
    "layers_per_pallet": 6, "pallet_tare_kg": 25, "footprint": "800x1200", "carry_min_c": 1, "carry_max_c": 12,
}  # fmt: skip
ZONE = {"code": "COLD", "name": "Cold room", "kind": "store", "planned_c": 4}
LOT = {"code": "L2603A", "packaged_at": "2026-03-02T06:00:00Z", "best_before_on": "2026-09-02"}


@pytest.fixture
def lead(api: Api) -> Api:
    return api.as_("lead")


def faults(problem: dict[str, Any]) -> dict[str, tuple[str, str]]:
    return {fault["field"]: (fault["detail"], fault["mend"]) for fault in problem["errors"]}


def test_what_is_registered_is_shown_and_listed(lead: Api) -> None:
    product = lead.made("/v1/products", PRODUCT)
    zone = lead.made("/v1/zones", ZONE)
    bay = lead.made(
        "/v1/bays", {"zone_id": zone["id"], "code": "B1", "aisle": 1, "slot": 2, "check_code": "417"}
    )
    lot = lead.made("/v1/lots", {**LOT, "product_id": product["id"]})
    assert product["gtin"] == "09521234000013"  # a label carries 14 digits
    assert (bay["level"], bay["zone_id"]) == (0, zone["id"])
    assert (lot["qa_state"], lot["qa_reason"], lot["cases_made"]) == ("held", "awaiting QA release", 0)
    for path, made in (("products", product), ("zones", zone), ("bays", bay), ("lots", lot)):
        assert lead.ok("GET", f"/v1/{path}/{made['id']}") == made
        assert made in lead.ok("GET", f"/v1/{path}")["items"]
    assert lead.ok("GET", f"/v1/bays?zone_id={zone['id'] + 1}")["items"] == []
    assert lead.ok("GET", f"/v1/lots?product_id={product['id']}&qa_state=held")["items"] == [lot]
    assert lead.ok("GET", "/v1/lots?qa_state=released")["items"] == []


def test_lists_come_in_pages_that_lose_nothing(lead: Api) -> None:
    for number in range(5):
        lead.made("/v1/zones", {**ZONE, "code": f"Z{number}"})
    codes, path = [], "/v1/zones?limit=2"
    while path:
        response = lead.get(path)
        page = response.json()
        codes += [zone["code"] for zone in page["items"]]
        path = f"/v1/zones?limit=2&cursor={page['next_cursor']}" if page["next_cursor"] else ""
        assert ("Link" in response.headers) == bool(path)
    assert codes == [f"Z{number}" for number in range(5)]


def test_what_is_there_already_is_refused(lead: Api) -> None:
    product = lead.made("/v1/products", PRODUCT)
    lead.refused("/v1/products", {**PRODUCT, "gtin": new_gtin()}, 409, "product-exists")
    problem = lead.refused("/v1/products", {**PRODUCT, "sku": "OTHER"}, 409, "product-exists")
    assert "LAG-50" in problem["detail"]
    lead.made("/v1/products", {**PRODUCT, "sku": "NO-GTIN-1", "gtin": None})
    lead.made("/v1/products", {**PRODUCT, "sku": "NO-GTIN-2", "gtin": None})
    zone = lead.made("/v1/zones", ZONE)
    lead.refused("/v1/zones", ZONE, 409, "zone-exists")
    bay = {"zone_id": zone["id"], "code": "B1", "aisle": 1, "slot": 2, "check_code": "417"}
    lead.made("/v1/bays", bay)
    lead.refused("/v1/bays", bay, 409, "bay-exists")
    lot = {**LOT, "product_id": product["id"]}
    lead.made("/v1/lots", lot)
    lead.refused("/v1/lots", lot, 409, "lot-exists")


def test_every_wrong_fact_of_a_product_is_named_at_once(lead: Api) -> None:
    wrong = {**PRODUCT, "gtin": "9521234000014", "carry_min_c": 13, "carry_max_c": 12}
    found = faults(lead.refused("/v1/products", wrong, 422, "invalid-input"))
    assert found.keys() == {"gtin", "carry_max_c"}
    assert "reads 4; 3 would be right" in found["gtin"][0]

    words = {**PRODUCT, "package": "barrel", "footprint": "1000x1000", "abv_pct": 40, "case_mass_kg": -1}
    found = faults(lead.refused("/v1/products", words, 422, "invalid-input"))
    assert found.keys() == {"package", "footprint", "abv_pct", "case_mass_kg"}
    assert "'keg', 'bottle' or 'can'" in found["package"][1]
    assert lead.ok("GET", "/v1/products")["items"] == []


def test_a_gtin_of_the_wrong_form_is_refused(lead: Api) -> None:
    for gtin in ("123", "952123400001345", "952123400001X", "٩٥٢١٢٣٤٠٠٠٠١٣"):
        problem = lead.refused("/v1/products", {**PRODUCT, "gtin": gtin}, 422, "invalid-input")
        assert faults(problem).keys() == {"gtin"}, gtin


def test_half_a_geometry_and_vehicles_are_no_zones(lead: Api) -> None:
    found = faults(lead.refused("/v1/zones", {**ZONE, "slot_pitch_m": 1.2}, 422, "invalid-input"))
    assert found.keys() == {"aisle_pitch_m", "cross_aisle_offset_m"}
    assert faults(lead.refused("/v1/zones", {**ZONE, "kind": "vehicle"}, 422, "invalid-input")).keys() == {
        "kind"
    }
    assert faults(lead.refused("/v1/zones", {**ZONE, "planned_c": 61}, 422, "invalid-input")).keys() == {
        "planned_c"
    }


def test_a_bay_of_no_zone_is_refused(lead: Api) -> None:
    bay = {"zone_id": 77, "code": "B1", "aisle": 1, "slot": 2, "check_code": "417"}
    assert faults(lead.refused("/v1/bays", bay, 422, "invalid-input")) == {
        "zone_id": ("There is no zone 77 at this site.", "Give the id of a zone of this site.")
    }


def test_a_lot_that_cannot_be_is_refused_by_field(lead: Api) -> None:
    product_id = lead.made("/v1/products", PRODUCT)["id"]
    for wrong, field in (
        ({"best_before_on": "2026-03-02"}, "best_before_on"),
        ({"best_before_on": "2025-09-02"}, "best_before_on"),
        ({"best_before_on": "9999-12-31"}, "best_before_on"),
        ({"packaged_at": "2026-03-17T06:00:00Z", "best_before_on": "2026-12-01"}, "packaged_at"),
        ({"packaged_at": "0001-01-01T00:00:00Z"}, "packaged_at"),
        ({"packaged_at": "0001-01-01T00:00:00+14:00"}, "packaged_at"),
        ({"packaged_at": "2026-03-02T06:00:00"}, "packaged_at"),
        ({"product_id": 99}, "product_id"),
        ({"product_id": 2**70}, "product_id"),
        ({"code": "L 1"}, "code"),
        ({"code": "L" * 21}, "code"),
        ({"cases_made": -1}, "cases_made"),
    ):
        problem = lead.refused("/v1/lots", {**LOT, "product_id": product_id, **wrong}, 422, "invalid-input")
        assert faults(problem).keys() == {field}, wrong
    assert lead.ok("GET", "/v1/lots")["items"] == []


@pytest.mark.parametrize("time_zone", ["America/New_York", "Pacific/Auckland"])
def test_a_lot_from_the_ends_of_the_calendar_is_refused_in_every_time_zone(api: Api, time_zone: str) -> None:
    far = {"code": "FAR", "name": "Far store (invented)", "time_zone": time_zone}
    api.tokens["far"] = api.made("/v1/sites", far)["token"]
    product_id = api.as_("far").made("/v1/products", PRODUCT)["id"]
    for packaged_at in ("0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"):
        lot = {**LOT, "product_id": product_id, "packaged_at": packaged_at}
        problem = api.as_("far").refused("/v1/lots", lot, 422, "invalid-input")
        assert "packaged_at" in faults(problem)


def test_unknown_fields_and_unknown_things_are_not_passed_over(lead: Api) -> None:
    assert faults(lead.refused("/v1/zones", {**ZONE, "colour": "blue"}, 422, "invalid-input")).keys() == {
        "colour"
    }
    for path in ("products/7", "zones/7", "bays/7", "lots/7", "units/095212340000000013"):
        assert lead.get(f"/v1/{path}").status_code == 404
    assert lead.get("/v1/products/0").status_code == 422


def test_only_the_lead_registers_and_only_readers_read(api: Api) -> None:
    for role in ("picker", "dispatcher", "qa", "auditor", "gateway"):
        assert api.as_(role).post("/v1/products", PRODUCT).status_code == 403
    assert api.as_("gateway").get("/v1/products").status_code == 403
    assert api.as_("auditor").get("/v1/products").status_code == 200
