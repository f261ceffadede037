"""Customers, their rules and places, and orders from files as people have them: CSV and JSON, read twice, amended."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import text

from builders.api import Api
from builders.rows import table_counts
from builders.store import product_body, stamp
from conftest import NOW
from rimekeep.cli.imports import run_import
from rimekeep.errors import Invalid
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.platform.csvfile import ImportReport
from rimekeep.platform.database import Database
from rimekeep.stock.core.gs1 import sscc

CUSTOMERS = "code;name;min_life_days;min_life_fraction;no_backward_date\nINN;The inn (invented);30;0,5;yes\nSHOP;The shop (invented);;;\n"
RULES = "customer,sku,min_life_days,min_life_fraction,max_lots_per_line\nINN,X-LAGER,,0.25,2\n"
DROPS = "customer,code,name,latitude,longitude,opens_at,closes_at\nINN,YARD,The yard (invented),49.75,13.38,6:00,11:30\n"
ORDERS = """order,customer,ship_on,deliver_on,drop,reference,line,sku,cases,min_life_days
SO-1,INN,2026-03-17,2026-03-18,YARD,4500-1,1,X-LAGER,40,
SO-1,INN,2026-03-17,2026-03-18,YARD,4500-1,2,X-LAGER,8,60
SO-2,SHOP,2026-03-17,2026-03-17,,,1,X-LAGER,10,
"""
Run = Callable[..., ImportReport]


@pytest.fixture
def run(api: Api, database: Database) -> Run:
    """Import files as the command does; the site has one product."""
    api.as_("lead").made("/v1/products", product_body("X"))

    def store(kind: str, data: str | bytes, **facts: Any) -> ImportReport:
        raw = data if isinstance(data, bytes) else data.encode()
        return run_import(database, kind, raw, **{"site": None, "encoding": None, "partial": False, **facts})

    return store


@pytest.fixture
def filled(run: Run) -> Run:
    files = {"customers": CUSTOMERS, "customer-rules": RULES, "drops": DROPS, "orders": ORDERS}
    for _ in range(2):
        reports = [run(kind, data) for kind, data in files.items()]
        assert [report.faults for report in reports] == [[]] * 4
    assert [(report.created, report.unchanged) for report in reports] == [(0, 2), (0, 1), (0, 1), (0, 3)]
    return run


def told(report: ImportReport) -> list[tuple[int, str]]:
    assert all(fault.detail and fault.mend for fault in report.faults)
    return [(fault.line, fault.column) for fault in report.faults]


def test_what_was_read_twice_is_there_once_and_as_it_was_meant(filled: Run, api: Api) -> None:
    office = api.as_("dispatcher")
    inn, _ = office.ok("GET", "/v1/customers")["items"]
    assert (inn["min_life_days"], inn["min_life_fraction"], inn["no_backward_date"]) == (30, 0.5, True)
    [rule] = office.ok("GET", f"/v1/customers/{inn['id']}/rules")["items"]
    assert (rule["min_life_days"], rule["min_life_fraction"], rule["max_lots_per_line"]) == (None, 0.25, 2)
    [yard] = office.ok("GET", f"/v1/customers/{inn['id']}/drops")["items"]
    assert (yard["latitude"], yard["opens_at"], yard["closes_at"]) == (49.75, "06:00", "11:30")
    first, second = office.ok("GET", "/v1/orders")["items"]
    assert (first["drop_id"], first["external_reference"], second["drop_id"]) == (yard["id"], "4500-1", None)


def test_the_same_in_json_with_the_lines_inside_their_order(filled: Run, database: Database) -> None:
    lines = [
        {"line": 1, "sku": "X-LAGER", "cases": 40},
        {"line": 2, "sku": "X-LAGER", "cases": 8, "min_life_days": 60},
    ]
    head = {
        "order": "SO-1",
        "customer": "INN",
        "ship_on": "2026-03-17",
        "deliver_on": "2026-03-18",
        "drop": "YARD",
    }
    # What the file does not name it says nothing about: the reference stays.
    same = filled("orders", json.dumps([{**head, "lines": lines}], indent=1))
    assert (same.created, same.unchanged, same.faults) == (0, 2, [])
    one = filled("orders", json.dumps({**head, "order": "SO-9", "lines": lines}))
    assert (one.created, one.faults) == (2, [])
    rules = filled(
        "customer-rules",
        '[{"customer": "SHOP", "sku": "X-LAGER", "min_life_fraction": 0.35, "no_backward_date": false}]',
    )
    assert (rules.created, rules.faults) == (1, [])
    wrong = [
        {**head, "order": "SO-5", "lines": [lines[0], {"line": 1, "sku": "X-LAGER", "cases": 2}]},
        {
            **head,
            "order": "SO-6",
            "lines": [{"line": 1, "sku": "ALE", "cases": 0}, {"line": 2, "sku": "X-LAGER", "cases": 1.5}],
        },
        {**head, "order": "SO-7", "lines": []},
        {
            **head,
            "order": "SO-8",
            "lines": [{"line": 1, "sku": "X-LAGER", "cases": 3, "ship_on": "2026-03-19"}],
        },
        {**head, "order": "SO-9", "colour": "red", "lines": lines[:1]},
        [1],
        {"customer": "INN", "lines": lines[:1]},
    ]
    before = table_counts(database)
    said = filled("orders", "[\n" + ",\n".join(json.dumps(one) for one in wrong) + "\n]")
    assert set(told(said)) >= {
        (2, "lines[1].line"), (3, "lines[0].cases"), (3, "lines[1].cases"), (4, "lines"), (5, "lines[0].ship_on"),
        (6, "lines[0].colour"), (7, ""), (8, "lines[0].order"), (8, "lines[0].ship_on"), (8, "lines[0].deliver_on"),
    }  # fmt: skip
    assert table_counts(database) == before
    for broken, words in (
        ('[{"order": "A"', "JSON"),
        ("[{}, {}", "comma"),
        ('[{"order": "A", "order": "B"}]', "twice"),
        ('[{"cases": NaN}]', "NaN"),
        ("[] []", "follows"),
        ("[" * 100_000, "deeply"),
    ):
        with pytest.raises(Invalid) as refusal:
            filled("orders", broken)
        assert words in str(refusal.value), broken
        assert refusal.value.faults[0].mend


def test_what_differs_is_a_fault_cell_by_cell_or_an_amendment_if_so_asked(filled: Run, api: Api) -> None:
    office = api.as_("dispatcher")
    orders = (
        ORDERS.replace(",40,", ",41,").replace("YARD,4500-1", ",4500-2").replace("SO-2,SHOP,2026-03-17", "SO-2,SHOP,2026-03-16")
        + "SO-2,SHOP,2026-03-16,2026-03-17,,,5,X-LAGER,1,\n"
    ).replace("SO-1,INN,2026-03-17,2026-03-18,,4500-2,2,X-LAGER,8,60\n", "")  # fmt: skip
    said = filled("orders", orders)
    assert told(said) == [
        (2, "cases"),
        (2, "drop"),
        (2, "line"),
        (2, "reference"),
        (3, "ship_on"),
        (4, "line"),
    ]
    assert all("--amend" in fault.mend for fault in said.faults)
    done = filled("orders", orders, amend=True)
    assert (done.created, done.amended, done.unchanged, done.faults) == (0, 2, 0, [])
    first, second = (
        office.ok("GET", f"/v1/orders/{one['id']}") for one in office.ok("GET", "/v1/orders")["items"]
    )
    assert [(line["line_no"], line["cases"]) for line in first["lines"]] == [(1, 41)]
    assert (first["drop_id"], first["external_reference"]) == (None, "4500-2")
    assert ([line["line_no"] for line in second["lines"]], second["ship_on"]) == ([1, 5], "2026-03-16")
    again = filled("orders", orders, amend=True)
    assert (again.amended, again.unchanged, again.faults) == (0, 3, [])
    # What an order never changes is told, and so is an order that is over.
    moved = filled("orders", orders.replace("SO-1,INN", "SO-1,SHOP"), amend=True)
    assert told(moved) == [(2, "customer")]
    office.made(f"/v1/orders/{second['id']}/cancel", {"reason": "closed (invented)"})
    late = filled("orders", orders.replace("X-LAGER,10", "X-LAGER,11"), amend=True)
    assert told(late) == [(3, "order")]
    customers = filled("customers", CUSTOMERS.replace(";30;0,5;yes", ";45;;yes"), amend=True)
    assert (customers.amended, customers.unchanged) == (1, 1)
    assert told(filled("customer-rules", RULES.replace("0.25,2", "0.3,2"))) == [(2, "min_life_fraction")]
    assert filled("drops", DROPS.replace("11:30", "12:15"), amend=True).amended == 1
    with pytest.raises(Invalid, match="never changed by a file"):
        filled("lots", "sku,lot\n", amend=True)


def test_an_order_amended_by_file_gives_its_stock_back(filled: Run, api: Api, database: Database) -> None:
    lead = api.as_("admin")
    product_id = lead.ok("GET", "/v1/products")["items"][0]["id"]
    zone = lead.made(
        "/v1/zones", {"code": "COLD", "name": "Cold (invented)", "kind": "store", "planned_c": 4}
    )["id"]
    lot = {"product_id": product_id, "code": "L1", "packaged_at": stamp(NOW - timedelta(days=9)),
           "best_before_on": str((NOW + timedelta(days=200)).date()), "cases_made": 96}  # fmt: skip
    lot_id = lead.made("/v1/lots", lot)["id"]
    lead.made(f"/v1/lots/{lot_id}/release", {"reason": "good (invented)"})
    for number in (1, 2):
        content = [{"lot_id": lot_id, "cases": 48}]
        lead.made("/v1/units", {"sscc": sscc(3, "9521234", number), "zone_id": zone, "contents": content})
    lead.made("/v1/allocations", {"ship_on": "2026-03-17"})

    def reserved() -> int:
        with database.transaction() as session:
            assert list(reservations_that_disagree(session, api.callers["lead"].site_id)) == []
            return int(session.scalar(text("SELECT SUM(reserved_cases) FROM unit_content")) or 0)

    assert reserved() == 58
    assert filled("orders", ORDERS.replace(",40,", ",30,"), amend=True).amended == 1
    assert reserved() == 48


def test_what_cannot_be_meant_is_named_by_row_and_column(filled: Run, database: Database) -> None:
    before = table_counts(database)
    head = ORDERS.splitlines()[0]

    def said(*rows: str) -> list[tuple[int, str]]:
        report = filled("orders", "\n".join((head, *rows)) + "\n")
        assert (report.created, report.amended) == (0, 0)
        return told(report)

    good = "SO-7,INN,2026-03-17,2026-03-18,,,1,X-LAGER,4,"
    assert said(good.replace("2026-03-17", "45733")) == [(2, "ship_on")]
    assert said(good.replace("2026-03-17", "17.03.2026")) == [(2, "ship_on")]
    assert said(good.replace("2026-03-18", "3/18/2026")) == [(2, "deliver_on")]
    assert said(good.replace("2026-03-18", "2026-03-16")) == [(2, "deliver_on")]
    for cases in ("0", "-4", "4.0", '"4,5"', "1e3", "999999999999", "four"):
        assert said(good.replace(",4,", f",{cases},")) == [(2, "cases")], cases
    assert said(good.replace("INN", "NOBODY"), good.replace("SO-7", "SO-8").replace("X-LAGER", "ALE")) == [
        (2, "customer"),
        (3, "sku"),
    ]
    assert said(good.replace("18,,", "18,GATE,")) == [(2, "drop")]
    assert said(good, good) == [(3, "line")]
    assert said(good, good.replace(",1,X", ",2,X").replace("03-18", "03-19")) == [(3, "deliver_on")]
    drops = DROPS.replace("49.75", "149.75").replace("11:30", "noon") + "INN,B,Gate (invented),1,,5:00,4:00\n"
    assert told(filled("drops", drops)) == [(2, "closes_at"), (2, "latitude"), (3, "longitude")]
    rules = RULES + "SHOP,X-LAGER,,,\nSHOP,X-LAGER,,7,\nNOBODY,ALE,1,,\n"
    assert told(filled("customer-rules", rules)) == [
        (3, "min_life_days"), (4, "min_life_fraction"), (5, "customer"), (5, "sku"),
    ]  # fmt: skip
    assert table_counts(database) == before


def test_a_spreadsheet_s_own_ways_are_read_or_refused_but_never_guessed(filled: Run, api: Api) -> None:
    marked = "\ufeff" + ORDERS.replace(",", ";").replace("SO-", "SX-").replace("\n", "\r\n")
    assert filled("orders", marked).created == 3
    utf16 = CUSTOMERS.replace("INN", "CAFE").replace("SHOP", "BAR").encode("utf-16")
    assert filled("customers", utf16).created == 2
    comma = CUSTOMERS.replace(";", ",").replace("INN", "PUB").replace("SHOP", "CLUB").replace("0,5", '"0,5"')
    assert told(filled("customers", comma)) == [(2, "min_life_fraction")]
    unquoted = CUSTOMERS.replace(";", ",").replace("INN", "PUB")
    assert told(filled("customers", unquoted)) == [(2, "")]
    with pytest.raises(Invalid, match="cp1252"):
        filled("customers", CUSTOMERS.replace("The inn", "Gasthöfchen").encode("cp1252"))


def test_partial_takes_an_order_whole_or_not_at_all(filled: Run, api: Api) -> None:
    head = ORDERS.splitlines()[0]
    rows = [
        "P-1,INN,2026-03-17,2026-03-18,,,1,X-LAGER,4,",
        "P-2,INN,2026-03-17,2026-03-18,,,1,X-LAGER,4,",
        "P-1,INN,2026-03-17,2026-03-18,,,2,X-LAGER,none,",
        "P-3,INN,2026-03-17,2026-03-18,,,1,ALE,4,",
        "P-3,INN,2026-03-17,2026-03-18,,,2,X-LAGER,4,",
    ]
    said = filled("orders", "\n".join([head, *rows]), partial=True)
    assert (told(said), said.created) == ([(4, "cases"), (5, "sku")], 1)
    codes = [row["code"] for row in api.ok("GET", "/v1/orders")["items"]]
    assert codes == ["SO-1", "SO-2", "P-2"]
    # A row that does not even tell whose it is may belong to any order of the file.
    lost = filled("orders", "\n".join([head, rows[0].replace("P-1", "P-9"), "P-4,INN"]), partial=True)
    assert (told(lost), lost.created) == ([(3, "")], 0)


def test_what_one_object_does_not_name_it_says_nothing_about(filled: Run, api: Api) -> None:
    """Objects of one JSON file need not name the same fields; what another names changes nothing here."""
    office = api.as_("dispatcher")
    filled(
        "customers",
        CUSTOMERS.replace("SHOP;The shop (invented);;;", "SHOP;The shop (invented);20;;yes"),
        amend=True,
    )
    customers = [
        {"code": "INN", "name": "The inn (invented)", "min_life_days": 45},
        {"code": "SHOP", "name": "The shop (invented)", "min_life_fraction": 0.25},
    ]
    said = filled("customers", json.dumps(customers), amend=True)
    assert (said.amended, said.faults) == (2, [])
    told = [
        (one["code"], one["min_life_days"], one["min_life_fraction"], one["no_backward_date"])
        for one in office.ok("GET", "/v1/customers")["items"]
    ]
    assert told == [("INN", 45, 0.5, True), ("SHOP", 20, 0.25, True)]
    head = {"customer": "INN", "ship_on": "2026-03-17", "deliver_on": "2026-03-18"}
    orders = [
        {"order": "SO-1", **head, "lines": [
            {"line": 1, "sku": "X-LAGER", "cases": 41},
            {"line": 2, "sku": "X-LAGER", "cases": 8},
        ]},
        {"order": "SO-8", **head, "drop": "YARD", "reference": "4500-8", "priority": 2, "lines": [
            {"line": 1, "sku": "X-LAGER", "cases": 3, "min_life_days": 7},
        ]},
    ]  # fmt: skip
    said = filled("orders", json.dumps(orders), amend=True)
    assert (said.created, said.amended, said.faults) == (1, 1, [])
    shown = office.ok("GET", f"/v1/orders/{office.ok('GET', '/v1/orders')['items'][0]['id']}")
    assert (shown["external_reference"], shown["drop_id"] is None) == ("4500-1", False)
    assert [(line["cases"], line["min_life_days"]) for line in shown["lines"]] == [(41, None), (8, 60)]


def test_a_file_of_some_columns_is_judged_with_what_is_stored(filled: Run, api: Api) -> None:
    office = api.as_("dispatcher")
    inn = office.ok("GET", "/v1/customers")["items"][0]
    # The rule keeps its cap and fraction, so no days of its own leave it saying something.
    rules = "customer,sku,min_life_days,max_lots_per_line\nINN,X-LAGER,,3\n"
    assert filled("customer-rules", rules, amend=True).faults == []
    assert told(
        filled(
            "customer-rules",
            rules.replace(",3", ",").replace("max_lots", "min_life_fraction,max_lots").replace(",,", ",,,"),
            amend=True,
        )
    ) == [(2, "min_life_days")]
    days_only = "customer,sku,min_life_days\nINN,X-LAGER,\n"
    again = filled("customer-rules", days_only, amend=True)
    assert (again.unchanged, again.faults) == (1, [])
    north = "customer,code,name,latitude\nINN,YARD,The yard (invented),50.25\n"
    moved = filled("drops", north, amend=True)
    assert (moved.amended, moved.faults) == (1, [])
    [yard] = office.ok("GET", f"/v1/customers/{inn['id']}/drops")["items"]
    assert (yard["latitude"], yard["longitude"], yard["opens_at"]) == (50.25, 13.38, "06:00")
    assert told(filled("drops", north.replace("50.25", ""), amend=True)) == [(2, "latitude")]
    assert told(filled("drops", north.replace("YARD", "GATE"), amend=True)) == [(2, "longitude")]
    shut = "customer,code,name,closes_at\nINN,YARD,The yard (invented),05:30\n"
    assert told(filled("drops", shut, amend=True)) == [(2, "closes_at")]
