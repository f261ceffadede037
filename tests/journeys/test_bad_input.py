"""What people and machines get wrong in a cold store: each is told where and what to do, and nothing is half-written."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from builders.api import Api
from builders.grounds import Clock
from builders.rows import table_counts
from builders.store import TRUCK, furnish, product_body, stamp
from rimekeep.platform.database import Database
from rimekeep.stock.core.gs1 import sscc

Made = dict[str, Any]
# One digit off the check digit of a valid SSCC, as a smudged label reads.
GOOD = sscc(7, "9521234", 77)
SMUDGED = GOOD[:-1] + str((int(GOOD[-1]) + 1) % 10)


def in_hand(api: Api, _database: Database, clock: Clock) -> Made:
    found = furnish(api, clock.now, "NORTH", "9521234")
    task = api.made("/v1/pick-lists/next")
    assert task["id"] == found["list_id"]
    (pick,) = task["picks"]
    found["pick"] = pick
    other = {
        "product_id": found["product_id"],
        "code": "NORTH-L2",
        "packaged_at": stamp(clock.now - timedelta(days=3)),
        "best_before_on": str((clock.now + timedelta(days=130)).date()),
    }
    lot_id = api.made("/v1/lots", other)["id"]
    api.made(f"/v1/lots/{lot_id}/release", {"reason": "analysis is good"})
    found["other_sscc"] = sscc(7, "9521234", 9)
    content = [{"lot_id": lot_id, "cases": 48}]
    api.made("/v1/units", {"sscc": found["other_sscc"], "zone_id": found["zone_id"], "contents": content})
    return found


GROUNDS = {"made": in_hand}


@pytest.fixture
def made(ground: Any) -> Made:
    """One of everything; the list that waits is in the hands of the admin's device."""
    found: Made = ground
    return found


def unit_body(made: Made, **changed: Any) -> Made:
    content = [{"lot_id": made["lot_id"], "cases": 4}]
    return {"sscc": GOOD, "zone_id": made["zone_id"], "contents": content, **changed}


def order_body(made: Made, line: Made, now: Any, **changed: Any) -> Made:
    today = str(now.date())
    whole = {"product_id": made["product_id"], "cases": 2, **line}
    return {
        "code": "SO-BAD",
        "customer_id": made["customer_id"],
        "ship_on": today,
        "deliver_on": today,
        "lines": [whole],
        **changed,
    }


def refused(
    api: Api, database: Database, path: str, body: Any, status: int, field: str | None, *mends: str
) -> Made:
    """The request is refused as a problem that names the field and the mend; no table has a row more or less."""
    before = table_counts(database)
    response = api.post(path, body)
    assert response.headers["content-type"] == "application/problem+json", response.text
    told: Made = response.json()
    assert response.status_code == status, told
    if field is not None:
        faults = {fault["field"]: fault for fault in told["errors"]}
        assert field in faults, told
        words = faults[field]["mend"]
        assert faults[field]["detail"], told
    else:
        words = told["detail"]
    assert words, told
    for mend in mends:
        assert mend in words, told
    assert table_counts(database) == before
    return told


def test_a_wrong_type(api: Api, database: Database, made: Made) -> None:
    body = unit_body(made, contents=[{"lot_id": made["lot_id"], "cases": "a dozen"}])
    refused(api, database, "/v1/units", body, 422, "contents[0].cases", "integer")
    body = product_body("X", case_mass_kg="heavy")
    refused(api, database, "/v1/products", body, 422, "case_mass_kg", "number")


def test_a_name_nobody_knows_is_not_silently_left_out(api: Api, database: Database, made: Made) -> None:
    body = product_body("X", weight_lb=40)
    refused(api, database, "/v1/products", body, 422, "weight_lb", "Remove")


def test_an_unknown_unit_of_temperature(api: Api, database: Database, made: Made, clock: Any) -> None:
    before = table_counts(database)
    at = stamp(clock.now - timedelta(minutes=5))
    units = ["R", "cel", "degrees", "%RH", ""]
    readings = [{"sensor": "NORTH-air", "at": at, "temp": 4, "unit": unit} for unit in units]
    told = api.made("/v1/readings", {"readings": readings})
    assert (told["stored"], told["refused"]) == (0, len(units))
    for place, fault in enumerate(told["faults"]):
        assert (fault["index"], fault["outcome"]) == (place, "unknown unit")
        assert fault["field"] == f"readings[{place}].unit"
        assert "Cel" in fault["mend"]
    # The answer item by item is kept under its key; nothing else is written.
    after = table_counts(database)
    assert after.pop("stored_answer") == before.pop("stored_answer") + 1
    assert after == before


def test_a_reading_from_the_future(api: Api, database: Database, made: Made, clock: Any) -> None:
    before = table_counts(database)
    ahead = stamp(clock.now + timedelta(hours=1))
    good = stamp(clock.now - timedelta(minutes=5))
    readings = [
        {"sensor": "NORTH-air", "at": ahead, "temp": 4},
        {"sensor": "NORTH-air", "at": good, "temp": 4},
    ]
    told = api.made("/v1/readings", {"readings": readings})
    assert told["stored"] == 1
    (fault,) = told["faults"]
    assert (fault["index"], fault["outcome"], fault["field"]) == (0, "in the future", "readings[0].at")
    assert "clock" in fault["mend"].lower()
    after = table_counts(database)
    assert after["reading"] == before["reading"] + 1


def test_an_sscc_with_a_wrong_check_digit(api: Api, database: Database, made: Made) -> None:
    # GS1 General Specifications, section 7.9.1: the check digit of the SSCC. The mend names the right one.
    told = refused(api, database, "/v1/units", unit_body(made, sscc=SMUDGED), 422, "sscc")
    assert GOOD[-1] in str(told["errors"])
    assert api.get(f"/v1/units/{SMUDGED}").status_code in (404, 422)


def test_a_best_before_earlier_than_the_packaging(
    api: Api, database: Database, made: Made, clock: Any
) -> None:
    body = {
        "product_id": made["product_id"],
        "code": "L-BAD",
        "packaged_at": stamp(clock.now - timedelta(days=2)),
        "best_before_on": str((clock.now - timedelta(days=3)).date()),
    }
    refused(api, database, "/v1/lots", body, 422, "best_before_on")


def test_cases_that_cannot_be_counted(api: Api, database: Database, made: Made, clock: Any) -> None:
    content_id = api.ok("GET", f"/v1/units/{made['spare_sscc']}")["contents"][0]["id"]
    for cases in (-1, 0, 1.5, "7", 10**12):
        body = unit_body(made, contents=[{"lot_id": made["lot_id"], "cases": cases}])
        refused(api, database, "/v1/units", body, 422, "contents[0].cases")
        order = order_body(made, {"cases": cases}, clock.now)
        refused(api, database, "/v1/orders", order, 422, "lines[0].cases")
        confirm = {"scan": made["pick"]["sscc"], "bay_check_code": "42", "cases": cases}
        refused(api, database, f"/v1/picks/{made['pick']['id']}/confirm", confirm, 422, "cases")
        # None left is a count like any other.
        if cases != 0:
            count = {"content_id": content_id, "cases": cases, "reason": "counted twice"}
            refused(api, database, f"/v1/units/{made['spare_sscc']}/adjust", count, 422, "cases")


def test_a_move_of_a_unit_that_is_not_there(api: Api, database: Database, made: Made) -> None:
    body = {"zone_id": made["staging_id"], "from_zone_id": made["dock_id"]}
    told = refused(api, database, f"/v1/units/{made['spare_sscc']}/move", body, 409, "from_zone_id")
    assert told["type"] == "/problems/unit-not-there"
    assert "NORTH-STORE" in told["detail"], "it says where the unit is on record"
    nobody = {"zone_id": made["staging_id"]}
    told = refused(api, database, f"/v1/units/{GOOD}/move", nobody, 404, None)
    assert GOOD in told["detail"]


def test_a_move_to_a_bay_of_another_room(api: Api, database: Database, made: Made) -> None:
    body = {"zone_id": made["staging_id"], "bay_id": made["bay_id"]}
    refused(api, database, f"/v1/units/{made['spare_sscc']}/move", body, 422, "bay_id")


def test_an_order_for_an_unknown_product(api: Api, database: Database, made: Made, clock: Any) -> None:
    order = order_body(made, {"product_id": 4711}, clock.now)
    refused(api, database, "/v1/orders", order, 422, "lines[0].product_id")


def test_an_order_delivered_before_it_ships(api: Api, database: Database, made: Made, clock: Any) -> None:
    order = order_body(made, {}, clock.now, deliver_on=str((clock.now - timedelta(days=1)).date()))
    refused(api, database, "/v1/orders", order, 422, "deliver_on")


def test_a_pick_of_another_lot(api: Api, database: Database, made: Made) -> None:
    path = f"/v1/picks/{made['pick']['id']}/confirm"
    code = "42" if made["pick"]["bay_code"] else None
    body = {"scan": made["other_sscc"], "bay_check_code": code, "cases": made["pick"]["cases"]}
    told = refused(api, database, path, body, 409, "scan")
    assert told["type"] in ("/problems/wrong-lot", "/problems/wrong-unit")
    # What was read and what is wanted.
    assert "NORTH-L2" in told["detail"] or made["other_sscc"] in told["detail"], told
    assert made["pick"]["sscc"] in told["detail"] or made["pick"]["lot_code"] in told["detail"], told
    api.made(path, {**body, "scan": made["pick"]["sscc"]})


def test_a_truck_without_axles(api: Api, database: Database, made: Made) -> None:
    for lacking in ("wheelbase_mm", "front_axle_x_mm", "front_max_kg", "rear_max_kg", "rows"):
        truck = {name: value for name, value in TRUCK.items() if name != lacking}
        body = {"code": "T0", "name": "Half a truck (invented)", "truck": truck}
        refused(api, database, "/v1/vehicles", body, 422, f"truck.{lacking}")


def test_a_truck_of_nothing(api: Api, database: Database, made: Made) -> None:
    body = {"code": "T0", "name": "No truck (invented)", "truck": {}}
    response = api.post("/v1/vehicles", body)
    assert response.status_code == 422
    assert all(fault["field"].startswith("truck") for fault in response.json()["errors"])
