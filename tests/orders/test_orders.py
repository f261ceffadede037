"""Customers and orders through HTTP and through use cases."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import text

from builders.api import Api
from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, RimekeepError
from rimekeep.orders import queries, usecases
from rimekeep.orders.core.records import NewLine, NewOrder
from rimekeep.orders.core.states import FOLLOWING, OrderState
from rimekeep.platform.csvfile import read_rows
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
PRODUCT = {
    "sku": "LAGER-24",
    "name": "Pale lager (invented)",
    "package": "bottle",
    "abv_pct": 4.8,
    "case_mass_kg": 11.5,
    "cases_per_layer": 8,
    "layers_per_pallet": 6,
    "pallet_tare_kg": 22,
    "footprint": "800x1200",
    "carry_min_c": 1,
    "carry_max_c": 12,
}


@pytest.fixture
def product_id(database: Database, api: Api) -> int:
    with database.transaction() as session:
        row = {"site_id": api.callers["lead"].site_id, **PRODUCT}
        columns = ", ".join(row)
        binds = ", ".join(f":{name}" for name in row)
        return int(
            session.scalar(text(f"INSERT INTO product ({columns}) VALUES ({binds}) RETURNING id"), row)
        )  # type: ignore[arg-type]


def order_body(customer_id: int, product_id: int, **changed: Any) -> dict[str, Any]:
    return {
        "code": "SO-1", "customer_id": customer_id, "ship_on": "2026-03-17", "deliver_on": "2026-03-18",
        "lines": [{"product_id": product_id, "cases": 40}, {"product_id": product_id, "cases": 2, "min_life_days": 60}],
        **changed,
    }  # fmt: skip


def test_an_order_is_taken_in_with_its_lines_numbered_and_open(api: Api, product_id: int) -> None:
    office = api.as_("dispatcher")
    customer = office.made(
        "/v1/customers", {"code": "INN", "name": "The inn (invented)", "min_life_days": 30}
    )
    order = office.made("/v1/orders", order_body(customer["id"], product_id))
    assert order["state"] == "open"
    assert [(line["line_no"], line["cases"], line["min_life_days"]) for line in order["lines"]] == [
        (1, 40, None),
        (2, 2, 60),
    ]
    assert office.ok("GET", f"/v1/customers/{customer['id']}") == customer
    assert [row["id"] for row in office.ok("GET", "/v1/orders?ship_on=2026-03-17&state=open")["items"]] == [
        order["id"]
    ]
    assert office.ok("GET", "/v1/orders?state=picked")["items"] == []
    assert office.ok("GET", "/v1/orders?customer_id=999")["items"] == []


def test_what_is_wrong_with_an_order_is_named_field_by_field(api: Api, product_id: int) -> None:
    office = api.as_("dispatcher")
    customer_id = office.made("/v1/customers", {"code": "INN", "name": "The inn (invented)"})["id"]
    lines = [{"product_id": 987654, "cases": 1}, {"product_id": product_id, "cases": 1, "line_no": 1}]
    problem = office.refused("/v1/orders", order_body(4711, product_id, lines=lines), 422, "invalid-input")
    assert [fault["field"] for fault in problem["errors"]] == [
        "customer_id",
        "lines[0].product_id",
        "lines[1].line_no",
    ]
    assert all(fault["mend"] for fault in problem["errors"])
    problem = office.refused(
        "/v1/orders", order_body(customer_id, product_id, deliver_on="2026-03-16"), 422, "invalid-input"
    )
    assert problem["errors"][0]["field"] == "deliver_on"
    for field, value in (
        ("priority", 10**12),
        ("ship_on", "0001-01-01"),
        ("lines", []),
        ("code", "a b"),
        ("lines", [{"product_id": product_id, "cases": 0}]),
    ):
        office.refused(
            "/v1/orders", order_body(customer_id, product_id, **{field: value}), 422, "invalid-input"
        )
    office.made("/v1/orders", order_body(customer_id, product_id))
    office.refused("/v1/orders", order_body(customer_id, product_id), 409, "order-exists")
    office.refused("/v1/customers", {"code": "INN", "name": "Another (invented)"}, 409, "customer-exists")


def test_a_picker_takes_no_orders_in_but_may_look(api: Api, product_id: int) -> None:
    picker = api.as_("picker")
    picker.refused("/v1/customers", {"code": "INN", "name": "The inn (invented)"}, 403, "role-missing")
    picker.refused("/v1/orders", order_body(1, product_id), 403, "role-missing")
    assert picker.ok("GET", "/v1/orders")["items"] == []
    assert api.as_("gateway").get("/v1/orders").status_code == 403
    assert picker.get("/v1/customers/1").status_code == 404


def test_states_only_move_along_the_order_of_work(api: Api, database: Database, product_id: int) -> None:
    customer_id = api.made("/v1/customers", {"code": "INN", "name": "The inn (invented)"})["id"]
    order_id = api.made("/v1/orders", order_body(customer_id, product_id))["id"]
    with database.transaction() as session:
        for state in (
            OrderState.ALLOCATED,
            OrderState.ALLOCATED,
            OrderState.PICKED,
            OrderState.LOADED,
            OrderState.DEPARTED,
        ):
            assert usecases.set_state(session, order_id, state).state == state
        with pytest.raises(Conflict, match="is departed; from there it cannot become open"):
            usecases.set_state(session, order_id, OrderState.OPEN)
    assert FOLLOWING.keys() == set(OrderState)


def test_the_newest_delivered_date_is_kept_whatever_the_order_of_notes(
    api: Api, database: Database, product_id: int
) -> None:
    customer_id = api.made(
        "/v1/customers", {"code": "INN", "name": "The inn (invented)", "no_backward_date": True}
    )["id"]
    order_id = api.made("/v1/orders", order_body(customer_id, product_id))["id"]
    with database.transaction() as session:
        for day in (date(2026, 6, 1), date(2026, 8, 1), date(2026, 7, 1)):
            usecases.note_delivered(session, customer_id, product_id, day)
        assert queries.last_delivered(session, customer_id, [product_id]) == {product_id: date(2026, 8, 1)}
        line = queries.open_lines(session, api.callers["lead"].site_id, order_ids=[order_id])[0]
        assert (line.last_printed_on, line.min_life_days, line.sku) == (date(2026, 8, 1), 0, "LAGER-24")


CUSTOMERS = """code;name;contact;address;min_life_days;no_backward_date;max_lots_per_line
INN;The inn (invented);desk;Lane 1;30;yes;2
SHOP;The shop (invented);;;;;
"""
ORDERS = """order,customer,ship_on,deliver_on,priority,line,sku,cases,min_life_days
SO-1,INN,2026-03-17,2026-03-18,5,1,LAGER-24,40,
SO-1,INN,2026-03-17,2026-03-18,5,2,LAGER-24,8,60
SO-2,SHOP,2026-03-17,2026-03-17,,1,LAGER-24,10,
"""


def run_imports(database: Database, caller: Caller, customers: str, orders: str) -> list[Any]:
    seen: list[tuple[int, int]] = []
    with database.transaction() as session:
        reports = [
            usecases.import_customers(
                session,
                NOW,
                caller,
                read_rows(customers.encode(), usecases.CUSTOMER_COLUMNS),
                lambda *at: seen.append(at),
            ),
            usecases.import_orders(
                session,
                NOW,
                caller,
                read_rows(orders.encode(), usecases.ORDER_COLUMNS),
                lambda *at: seen.append(at),
            ),
        ]
    assert all(done <= total for done, total in seen)
    return reports


def test_a_file_read_twice_changes_nothing_the_second_time(
    api: Api, database: Database, product_id: int
) -> None:
    caller = api.callers["lead"]
    first = run_imports(database, caller, CUSTOMERS, ORDERS)
    second = run_imports(database, caller, CUSTOMERS, ORDERS)
    assert [(report.created, report.unchanged, report.faults) for report in first] == [(2, 0, []), (3, 0, [])]
    assert [(report.created, report.unchanged, report.faults) for report in second] == [
        (0, 2, []),
        (0, 3, []),
    ]
    with database.transaction() as session:
        lines = queries.open_lines(session, caller.site_id, ship_on=date(2026, 3, 17))
        assert [(line.order_code, line.line_no, line.cases, line.min_life_days, line.priority, line.max_lots) for line in lines] == [
            ("SO-1", 1, 40, 30, 5, 2), ("SO-1", 2, 8, 60, 5, 2), ("SO-2", 1, 10, 0, 0, None),
        ]  # fmt: skip
        assert list(broken_links(session, caller.site_id)) == []


def test_a_file_that_contradicts_what_is_stored_or_itself_is_told_line_by_line(
    api: Api, database: Database, product_id: int
) -> None:
    caller = api.callers["lead"]
    run_imports(database, caller, CUSTOMERS, ORDERS)
    customers = CUSTOMERS.replace("desk", "office") + "INN;Twice (invented);;;;;\n"
    orders = ORDERS.replace(",40,", ",41,").replace(
        "SO-2,SHOP,2026-03-17,2026-03-17", "SO-3,NOBODY,2026-03-17,2026-03-16"
    ) + ("SO-4,INN,2026-03-17,2026-03-18,5,1,ALE,1,\nSO-4,SHOP,2026-03-17,2026-03-18,5,2,LAGER-24,1,\n")
    told_customers, told_orders = run_imports(database, caller, customers, orders)
    assert (told_customers.created, told_orders.created) == (0, 0)
    assert {(fault.line, fault.column) for fault in told_customers.faults} >= {(2, "contact"), (4, "code")}
    assert {(fault.line, fault.column) for fault in told_orders.faults} == {
        (2, "cases"), (4, "customer"), (4, "deliver_on"), (5, "sku"), (6, "customer"),
    }  # fmt: skip
    assert all(fault.detail and fault.mend for fault in told_customers.faults + told_orders.faults)
    moved = run_imports(database, caller, CUSTOMERS, ORDERS.replace("SO-2,SHOP", "SO-2,INN"))[1]
    assert [(fault.line, fault.column, "(SHOP)" in fault.detail) for fault in moved.faults] == [
        (4, "customer", True)
    ]
    with database.transaction() as session:
        assert len(queries.open_lines(session, caller.site_id)) == 3


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ("SO-1,INN,17.03.2026,2026-03-18,5,1,LAGER-24,40,", "ship_on"),
        ("SO-1,INN,2026-03-17,2026-03-18,5,1,LAGER-24,0,", "cases"),
        ("SO-1,INN,2026-03-17,2026-03-18,5000,1,LAGER-24,4,", "priority"),
        ("SO-1,INN,2026-03-17,2026-03-18,5,1,LAGER-24,4,99999", "min_life_days"),
        ("S O,INN,2026-03-17,2026-03-18,5,1,LAGER-24,4,", "order"),
        ("SO-1,INN,2026-03-17,2026-03-18,5,0,LAGER-24,4,", "line"),
    ],
)
def test_a_cell_that_cannot_be_meant_is_named(cells: str, column: str) -> None:
    rows = read_rows(f"{ORDERS.splitlines()[0]}\n{cells}\n".encode(), usecases.ORDER_COLUMNS)
    assert [(fault.line, fault.column) for fault in rows.faults] == [(2, column)]


def test_every_field_of_an_order_that_is_wrong_is_named_at_once(api: Api, product_id: int) -> None:
    office = api.as_("dispatcher")
    body = order_body(4711, product_id, deliver_on="2026-03-16", lines=[{"product_id": 987654, "cases": 1}])
    problem = office.refused("/v1/orders", body, 422, "invalid-input")
    assert [fault["field"] for fault in problem["errors"]] == [
        "deliver_on",
        "customer_id",
        "lines[0].product_id",
    ]
    customer_id = office.made("/v1/customers", {"code": "INN", "name": "The inn (invented)"})["id"]
    path = f"/v1/orders/{office.made('/v1/orders', order_body(customer_id, product_id))['id']}"
    change = {"reason": "as called (invented)", "deliver_on": "2026-03-16", "drop_id": 4711}
    answer = office.request("PATCH", path, json=change, headers={"If-Match": "*"})
    assert [fault["field"] for fault in answer.json()["errors"]] == ["drop_id", "deliver_on"]


def test_the_same_orders_sent_twice_at_once_are_taken_once(
    api: Api, database: Database, product_id: int
) -> None:
    """A partner whose line broke sends the batch again while the first one is being written."""
    caller = api.callers["lead"]
    customer_id = api.made("/v1/customers", {"code": "INN", "name": "The inn (invented)"})["id"]

    def order(code: str) -> NewOrder:
        day = date(2026, 3, 17)
        return NewOrder(code, customer_id, day, day, 0, [NewLine(1, product_id, 4)])

    told: list[Any] = []

    def again() -> None:
        try:
            with database.transaction() as session:
                done = usecases.place_orders(session, NOW, caller, [order("A"), order("B")])
                told.append([str(one.outcome) for one in done])
            with database.transaction() as session:
                usecases.take_order(session, NOW, caller, order("A"))
        except RimekeepError as error:
            told.append(error)

    thread = threading.Thread(target=again)
    with database.transaction() as session:
        done = usecases.place_orders(session, NOW, caller, [order("A")])
        thread.start()
        # Time to come as far as it can; it waits for this transaction.
        thread.join(1.0)
    thread.join(60)
    assert [one.outcome for one in done] == ["placed"]
    assert told[0] == ["unchanged", "placed"]
    assert isinstance(told[1], Conflict)
    assert told[1].code == "order-exists"
