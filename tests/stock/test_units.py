"""Units come in, are found, moved, scanned; what is not there is not moved."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from builders import stock as make
from builders.api import Api
from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.usecases import open_new_site
from rimekeep.stock import usecases
from rimekeep.stock.core import gs1

CHECKS = Path(__file__).parents[2] / "fixtures" / "checks"
SSCC = "095212340000000013"  # the GS1 prefix 952 is set aside for examples


@pytest.fixture
def ids(api: Api, database: Any, clock: Any) -> dict[str, Any]:
    with database.transaction() as session:
        now, caller = clock.now, api.callers["lead"]
        cold = make.make_zone(session, now, caller, code="COLD")
        other = make.make_zone(session, now, caller, code="OTHER")
        truck = make.make_zone(session, now, caller, code="TRUCK", kind="vehicle")
        product = make.make_product(session, now, caller, gtin="9521234000013", sku="LAG")
        return {
            "cold": cold.id,
            "other": other.id,
            "truck": truck.id,
            "bay": make.make_bay(session, now, caller, cold, code="B-1").id,
            "lot": make.make_lot(session, now, caller, product, code="L2603A").id,
            "second": make.make_lot(session, now, caller, product).id,
            "product": product.id,
        }


def arrival(ids: dict[str, Any], **changes: Any) -> dict[str, Any]:
    contents = [{"lot_id": ids["lot"], "cases": 40}, {"lot_id": ids["second"], "cases": 8}]
    return {"sscc": SSCC, "zone_id": ids["cold"], "bay_id": ids["bay"], "contents": contents, **changes}


def fields(problem: dict[str, Any]) -> list[str]:
    return [fault["field"] for fault in problem["errors"]]


def test_a_unit_comes_in_with_its_lots_and_counts_as_made(api: Api, ids: dict[str, Any]) -> None:
    picker = api.as_("picker")
    unit = picker.made("/v1/units", arrival(ids, start_core_c=9.5))
    assert (unit["state"], unit["qa_state"], unit["zone_code"], unit["bay_code"]) == (
        "in_store",
        "released",
        "COLD",
        "B-1",
    )
    first = unit["contents"][0]
    assert (first["lot_code"], first["sku"], first["cases"], first["reserved_cases"]) == (
        "L2603A",
        "LAG",
        40,
        0,
    )
    assert unit["received_at"] == "2026-03-16T06:00:00Z"
    assert picker.ok("GET", f"/v1/units/{SSCC}") == unit
    assert picker.ok("GET", f"/v1/lots/{ids['lot']}")["cases_made"] == 40
    back = make.new_sscc()
    picker.made("/v1/units", arrival(ids, sscc=back, is_new=False))
    assert picker.ok("GET", f"/v1/lots/{ids['lot']}")["cases_made"] == 40


def test_units_are_listed_by_zone_product_and_state(api: Api, ids: dict[str, Any]) -> None:
    made = api.made("/v1/units", arrival(ids))
    for query, there in (
        (f"zone_id={ids['cold']}", True), (f"zone_id={ids['other']}", False), (f"product_id={ids['product']}", True),
        (f"product_id={ids['product'] + 1}", False), ("state=in_store", True), ("state=departed", False),
    ):  # fmt: skip
        assert api.ok("GET", f"/v1/units?{query}")["items"] == ([made] if there else []), query
    assert api.get("/v1/units?state=lost").status_code == 422


def test_a_wrong_check_digit_is_named_with_the_right_one(api: Api, ids: dict[str, Any]) -> None:
    """Figures: fixtures/checks/gs1_check_digits.json, GS1 General Specifications."""
    records = json.loads((CHECKS / "gs1_check_digits.json").read_text())["records"]
    wrong = [
        r for r in records if r["inputs"]["kind"] == "sscc" and r["expected"].get("reason") == "check_digit"
    ]
    assert wrong
    for record in wrong:
        number, right = record["inputs"]["number"], record["expected"]["correct_check_digit"]
        problem = api.refused("/v1/units", arrival(ids, sscc=number), 422, "sscc-check-digit")
        assert problem["data"] == {"read": int(number[-1]), "right": right}
        assert problem["errors"][0]["field"] == "sscc"
        assert f"reads {number[-1]}; {right} would be right" in problem["errors"][0]["detail"]
    assert api.ok("GET", "/v1/units")["items"] == []


def test_an_sscc_of_the_wrong_form_is_refused(api: Api, ids: dict[str, Any]) -> None:
    for sscc in ("95212340000000013", "0095212340000000013", "09521234000000001X", "9.52123E+16", ""):
        assert fields(api.refused("/v1/units", arrival(ids, sscc=sscc), 422, "sscc-form")) == ["sscc"]


def test_arrivals_that_cannot_be_are_refused_by_field(api: Api, ids: dict[str, Any]) -> None:
    lot = ids["lot"]
    for changes, field in (
        ({"zone_id": 999}, "zone_id"),
        ({"zone_id": ids["truck"], "bay_id": None}, "zone_id"),
        ({"bay_id": 999}, "bay_id"),
        ({"zone_id": ids["other"]}, "bay_id"),
        ({"contents": []}, "contents"),
        ({"contents": [{"lot_id": lot, "cases": 1}, {"lot_id": 999, "cases": 1}]}, "contents[1].lot_id"),
        ({"contents": [{"lot_id": lot, "cases": 1}, {"lot_id": lot, "cases": 2}]}, "contents[1].lot_id"),
        ({"contents": [{"lot_id": lot, "cases": 0}]}, "contents[0].cases"),
        ({"contents": [{"lot_id": lot, "cases": -4}]}, "contents[0].cases"),
        ({"contents": [{"lot_id": lot, "cases": 2.5}]}, "contents[0].cases"),
        ({"received_at": "2026-03-16T06:01:00Z"}, "received_at"),
        ({"received_at": "2026-02-16T06:00:00Z"}, "received_at"),
        ({"start_core_c": 61}, "start_core_c"),
    ):
        assert fields(api.refused("/v1/units", arrival(ids, **changes), 422, "invalid-input")) == [field], (
            changes
        )
    assert api.ok("GET", "/v1/units")["items"] == []
    assert api.ok("GET", f"/v1/lots/{lot}")["cases_made"] == 0


def test_an_sscc_is_used_once(api: Api, ids: dict[str, Any]) -> None:
    api.made("/v1/units", arrival(ids))
    assert SSCC in api.refused("/v1/units", arrival(ids), 409, "sscc-exists")["detail"]


def test_the_same_key_brings_a_unit_in_once(api: Api, ids: dict[str, Any]) -> None:
    first = api.post("/v1/units", arrival(ids), key="k-1")
    again = api.post("/v1/units", arrival(ids), key="k-1")
    assert (first.status_code, again.status_code, again.json()) == (201, 201, first.json())
    assert api.ok("GET", f"/v1/lots/{ids['lot']}")["cases_made"] == 40


def test_a_unit_moves_and_is_where_it_was_put(api: Api, ids: dict[str, Any], clock: Any) -> None:
    api.made("/v1/units", arrival(ids, received_at="2026-03-15T06:00:00Z"))
    move = {"zone_id": ids["other"], "from_zone_id": ids["cold"], "at": "2026-03-16T05:00:00Z"}
    moved = api.as_("picker").made(f"/v1/units/{SSCC}/move", move)
    assert (moved["zone_code"], moved["bay_code"]) == ("OTHER", None)
    # It is no longer where the second scan says it was found.
    problem = api.refused(f"/v1/units/{SSCC}/move", move, 409, "unit-not-there")
    assert (problem["data"]["zone_id"], "OTHER" in problem["detail"]) == (ids["other"], True)


def test_moves_that_cannot_be_are_refused(api: Api, ids: dict[str, Any]) -> None:
    api.made("/v1/units", arrival(ids, received_at="2026-03-15T06:00:00Z"))
    for changes, field in (
        ({"zone_id": 999}, "zone_id"),
        ({"zone_id": ids["truck"]}, "zone_id"),
        ({"bay_id": ids["bay"]}, "bay_id"),
        ({"at": "2026-03-15T05:00:00Z"}, "at"),
        ({"at": "2026-03-16T06:01:00Z"}, "at"),
    ):
        problem = api.refused(
            f"/v1/units/{SSCC}/move", {"zone_id": ids["other"], **changes}, 422, "invalid-input"
        )
        assert fields(problem) == [field], changes
    assert api.post(f"/v1/units/{make.new_sscc()}/move", {"zone_id": ids["other"]}).status_code == 404
    assert api.post("/v1/units/12/move", {"zone_id": ids["other"]}).status_code == 422
    assert api.ok("GET", f"/v1/units/{SSCC}")["zone_code"] == "COLD"


def test_a_scan_tells_what_it_is(api: Api, ids: dict[str, Any]) -> None:
    api.made("/v1/units", arrival(ids))
    for code, kind in (
        (SSCC, "unit"),
        (f"]C100{SSCC}", "unit"),
        (f"https://id.gs1.org/00/{SSCC}", "unit"),
        ("9521234000013", "product"),
        ("0109521234000013", "product"),
        ("010952123400001310L2603A", "lot"),
        ("010952123400001310L2603A\r\n", "lot"),
        ("https://id.gs1.org/01/09521234000013/10/L2603A", "lot"),
        (f"00{SSCC}020952123400001337" + "40\x1d10L2603A", "unit"),
        ("B-1", "bay"),
    ):
        answer = api.ok("GET", "/v1/scan", params={"code": code})
        assert answer["kind"] == kind, code
        assert answer[kind] is not None
    assert api.ok("GET", "/v1/scan", params={"code": SSCC})["unit"]["contents"][0]["lot_code"] == "L2603A"


def test_a_check_code_is_told_to_nobody_who_is_to_read_it_at_the_bay(api: Api, ids: dict[str, Any]) -> None:
    lead, picker = api.as_("lead"), api.as_("picker")
    code = lead.ok("GET", f"/v1/bays/{ids['bay']}")["check_code"]
    assert [one["check_code"] for one in lead.ok("GET", "/v1/bays")["items"]] == [code]
    assert picker.ok("GET", f"/v1/bays/{ids['bay']}")["check_code"] is None
    assert [one["check_code"] for one in picker.ok("GET", "/v1/bays")["items"]] == [None]
    assert picker.ok("GET", "/v1/scan", params={"code": "B-1"})["bay"]["check_code"] is None


def test_a_scan_of_nothing_known_says_so(api: Api, ids: dict[str, Any]) -> None:
    for code, status in (
        (make.new_sscc(), 404), (make.new_gtin(), 404), ("010952123400001310NONE", 404), ("095212340000000014", 422),
        ("9521234000014", 422), ("", 422), ("hello", 422), ("\x00", 422), ("01095212340", 422), ("https://[", 422),
    ):  # fmt: skip
        assert api.get("/v1/scan", params={"code": code}).status_code == status, code


def test_another_site_sees_nothing_and_reaches_nothing(
    api: Api, ids: dict[str, Any], database: Any, clock: Any
) -> None:
    api.made("/v1/units", arrival(ids))
    with database.transaction() as session:
        site, token = open_new_site(
            session, clock.now, code="SOUTH", name="South (invented)", company_prefix="9529999"
        )
        stranger = Caller(1, site.id, "stranger", frozenset(Role))
        south_zone = make.make_zone(session, clock.now, stranger).id
    api.tokens["stranger"] = token
    south = api.as_("stranger")
    for path in ("products", "bays", "lots", "units"):
        assert south.ok("GET", f"/v1/{path}")["items"] == []
    why = {"reason": "not mine at all"}
    for path in (
        f"products/{ids['product']}",
        f"zones/{ids['cold']}",
        f"bays/{ids['bay']}",
        f"lots/{ids['lot']}",
        f"units/{SSCC}",
    ):
        assert south.get(f"/v1/{path}").status_code == 404, path
    for path, body in (
        (f"lots/{ids['lot']}/hold", why), (f"lots/{ids['lot']}/release", why), (f"lots/{ids['lot']}/reject", why),
        (f"units/{SSCC}/hold", why), (f"units/{SSCC}/move", {"zone_id": south_zone}),
        (f"units/{SSCC}/adjust", {"content_id": 1, "cases": 0, **why}),
    ):  # fmt: skip
        assert south.post(f"/v1/{path}", body).status_code == 404, path
    assert south.get("/v1/scan", params={"code": SSCC}).status_code == 404
    assert fields(south.refused("/v1/units", arrival(ids, sscc=make.new_sscc()), 422, "invalid-input")) == [
        "zone_id"
    ]
    theirs = arrival(ids, sscc=make.new_sscc(), zone_id=south_zone, bay_id=None)
    assert fields(south.refused("/v1/units", theirs, 422, "invalid-input")) == ["contents[0].lot_id"]


def test_built_ssccs_are_valid_and_of_the_sites_own_prefix(
    api: Api, ids: dict[str, Any], database: Any, clock: Any
) -> None:

    taken = gs1.sscc(0, "9521234", 2)
    api.made("/v1/units", arrival(ids, sscc=taken))
    with database.transaction() as session:
        built = [
            usecases.build_unit(session, clock.now, api.callers["lead"], zone_id=ids["cold"]).sscc
            for _ in range(3)
        ]
    assert all(gs1.is_valid_sscc(sscc) and sscc[1:8] == "9521234" for sscc in built)
    # Serial 2 came in from elsewhere, so it is passed over.
    assert len({*built, taken}) == 4
