"""Master data changed by whoever saw its state; what must stay stays."""

from typing import Any

from builders.api import Api
from builders.store import product_body


def changed(api: Api, path: str, body: dict[str, Any], etag: str | None = None) -> Any:
    tag = etag or api.request("GET", path).headers["etag"]
    said = {**body, "reason": "measured anew (invented)"}
    return api.request("PATCH", path, json=said, headers={"If-Match": tag})


def test_a_product_is_changed_by_whoever_saw_it_as_it_is(api: Api) -> None:
    lead = api.as_("lead")
    path = f"/v1/products/{lead.made('/v1/products', product_body('A', crush_limit_kg=200))['id']}"
    seen = lead.request("GET", path).headers["etag"]
    first = changed(lead, path, {"case_mass_kg": 19.25, "crush_limit_kg": None}, seen)
    assert first.status_code == 200
    assert (first.json()["case_mass_kg"], first.json()["crush_limit_kg"]) == (19.25, None)
    assert changed(lead, path, {"case_mass_kg": 21}, seen).status_code == 412
    assert lead.ok("GET", path)["case_mass_kg"] == 19.25
    for wrong in ({"carry_min_c": 40}, {"name": None}, {"footprint": "800x1200"}, {}):
        assert changed(lead, path, wrong).status_code == 422, wrong


def test_a_zone_keeps_the_temperature_its_past_was_reckoned_by(api: Api) -> None:
    lead = api.as_("lead")
    asked = {"code": "Z", "name": "Z", "kind": "store", "planned_c": 4, "slot_pitch_m": 1.4}
    asked |= {"aisle_pitch_m": 4, "cross_aisle_offset_m": 2}
    path = f"/v1/zones/{lead.made('/v1/zones', asked)['id']}"
    assert changed(lead, path, {"planned_c": 5}).status_code == 422
    # Geometry is given whole or not at all.
    assert changed(lead, path, {"aisle_pitch_m": None}).status_code == 422
    told = changed(lead, path, {"cross_aisles_after": [5, 10], "units_per_walk": 3}).json()
    assert (told["cross_aisles_after"], told["units_per_walk"], told["planned_c"]) == ([5, 10], 3, 4)


def test_a_bay_that_is_filled_for_picking_stays_a_pick_bay(api: Api) -> None:
    lead = api.as_("lead")
    zone = lead.made("/v1/zones", {"code": "Z", "name": "Z", "kind": "store", "planned_c": 4})["id"]
    bay = {"zone_id": zone, "code": "P1", "aisle": 1, "slot": 1, "check_code": "42", "role": "pick"}
    bay_id = lead.made("/v1/bays", bay)["id"]
    product = lead.made("/v1/products", product_body("A"))["id"]
    path = f"/v1/bays/{bay_id}"
    assert changed(lead, path, {"check_code": "77"}).json()["check_code"] == "77"
    lead.made("/v1/pick-faces", {"bay_id": bay_id, "product_id": product, "min_cases": 4, "max_cases": 40})
    refused = changed(lead, path, {"role": "bulk"})
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (409, "role")
    assert changed(lead, path, {"depth": 2, "capacity_units": 4}).json()["capacity_units"] == 4
