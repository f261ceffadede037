"""
Customers and orders from CSV files.

A file may be read again: what is there already in the same words is left alone, what is there in other words
is a fault, because nobody can tell which of the two is meant. Nothing is written while a fault is left.
"""

from collections.abc import Callable, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.orders import queries
from rimekeep.orders.core.records import NewLine
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.orders.usecases.place import NewOrder, add_customers, add_orders
from rimekeep.platform.csvfile import (
    CellError,
    Column,
    Dialect,
    ImportReport,
    Row,
    Rows,
    code,
    count,
    day,
    name,
    repeated,
    text,
    whole,
    yes_no,
)

Progress = Callable[[int, int], None]


def days(cell: str, dialect: Dialect) -> int:
    """Read a number of days of life."""
    number = count(cell, dialect)
    if number > 3650:
        raise CellError(f"{number} days are more than ten years.", "Check the digits.")
    return number


def cases(cell: str, dialect: Dialect) -> int:
    """Read a number of cases."""
    number = count(cell, dialect)
    if not 1 <= number <= 100_000:
        raise CellError(f"{number} cases cannot be ordered.", "Give 1 to 100000.")
    return number


def positive(cell: str, dialect: Dialect) -> int:
    """Read a number from 1 to 1000."""
    number = count(cell, dialect)
    if not 1 <= number <= 1000:
        raise CellError(f"{number} is out of range.", "Give 1 to 1000.")
    return number


def priority(cell: str, dialect: Dialect) -> int:
    """Read a priority."""
    number = whole(cell, dialect)
    if abs(number) > 1000:
        raise CellError(f"{number} is out of range.", "Give -1000 to 1000; a higher one is served first.")
    return number


CUSTOMER_COLUMNS = (
    Column("code", code),
    Column("name", name),
    Column("contact", text, is_required=False, default=""),
    Column("address", text, is_required=False, default=""),
    Column("min_life_days", days, is_required=False, default=0),
    Column("no_backward_date", yes_no, is_required=False, default=False),
    Column("max_lots_per_line", positive, is_required=False),
)
ORDER_COLUMNS = (
    Column("order", code),
    Column("customer", code),
    Column("ship_on", day),
    Column("deliver_on", day),
    Column("priority", priority, is_required=False, default=0),
    Column("line", positive),
    Column("sku", code),
    Column("cases", cases),
    Column("min_life_days", days, is_required=False),
)
_HEAD = ("customer", "ship_on", "deliver_on", "priority")


def import_customers(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Add the customers of a file."""
    report = ImportReport("customers", len(rows.rows), faults=list(rows.faults))
    known = queries.customers_by_code(session, caller.site_id)
    _refuse_repeats(report, rows.rows, "code")
    added: list[Customer] = []
    for done, row in enumerate(rows.rows, 1):
        stored = known.get(str(row.values["code"]))
        if stored is None:
            facts: dict[str, Any] = row.values
            added.append(Customer(site_id=caller.site_id, **facts))
        else:
            differing = [field for field, value in row.values.items() if getattr(stored, field) != value]
            for field in differing:
                report.fault(
                    row,
                    field,
                    f"customer {stored.code} is stored with {getattr(stored, field)!r}.",
                    "Correct the file: an import adds what is new and changes nothing that is there.",
                )
            report.unchanged += not differing
        progress(done, len(rows.rows))
    if not report.faults:
        add_customers(session, now, caller, added)
        report.created = len(added)
    return report


def import_orders(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Add the orders of a file; the lines of one order may stand anywhere in it."""
    report = ImportReport("orders", len(rows.rows), faults=list(rows.faults))
    customers = queries.customers_by_code(session, caller.site_id)
    products = queries.product_ids_by_sku(session, caller.site_id)
    _refuse_repeats(report, rows.rows, "order", "line")
    by_order: dict[str, list[Row]] = {}
    for row in rows.rows:
        by_order.setdefault(str(row.values["order"]), []).append(row)
    known = queries.orders_by_code(session, caller.site_id, list(by_order))
    stored_lines = queries.lines_by_order(session, caller.site_id, [order.id for order in known.values()])
    codes = {customer.id: customer.code for customer in customers.values()}
    placed: list[NewOrder] = []
    done = 0
    for order_code, members in by_order.items():
        done += len(members)
        before = len(report.faults)
        _check_head(report, members, customers)
        for row in members:
            if row.values["sku"] not in products:
                report.fault(
                    row, "sku", f"{row.values['sku']!r} is not a product here.", "Import the products first."
                )
        if len(report.faults) == before:
            order = _new_order(order_code, members, customers, products)
            stored = known.get(order_code)
            if stored is None:
                placed.append(order)
            else:
                _compare(report, members, order, stored, stored_lines[stored.id], codes[stored.customer_id])
        progress(done, len(rows.rows))
    if not report.faults:
        add_orders(session, now, caller, placed)
        report.created = sum(len(order.lines) for order in placed)
    return report


def _refuse_repeats(report: ImportReport, rows: Sequence[Row], *names: str) -> None:
    for row, first in repeated(rows, *names):
        report.fault(row, names[-1], f"the same stands in line {first}.", "Remove one of the two.")


def _check_head(report: ImportReport, members: Sequence[Row], customers: dict[str, Customer]) -> None:
    """Note faults of what must be the same on all lines of one order."""
    first = members[0]
    for row in members[1:]:
        for field in _HEAD:
            if row.values[field] != first.values[field]:
                report.fault(
                    row,
                    field,
                    f"line {first.line} of the same order has {first.values[field]!s}.",
                    "An order has one customer, one ship day, one delivery day, one priority.",
                )
    if first.values["customer"] not in customers:
        wanted = first.values["customer"]
        report.fault(first, "customer", f"{wanted!r} is not a customer here.", "Import the customers first.")
    ship_on, deliver_on = first.values["ship_on"], first.values["deliver_on"]
    if isinstance(ship_on, date) and isinstance(deliver_on, date) and deliver_on < ship_on:
        report.fault(
            first, "deliver_on", f"{deliver_on} lies before the ship day {ship_on}.", "Correct one of them."
        )


def _new_order(
    order_code: str, members: Sequence[Row], customers: dict[str, Customer], products: dict[str, int]
) -> NewOrder:
    head: dict[str, Any] = members[0].values
    lines = [_new_line(row.values, products) for row in members]
    return NewOrder(
        order_code,
        customers[head["customer"]].id,
        head["ship_on"],
        head["deliver_on"],
        head["priority"],
        sorted(lines, key=lambda line: line.line_no),
    )


def _new_line(values: dict[str, Any], products: dict[str, int]) -> NewLine:
    return NewLine(values["line"], products[values["sku"]], values["cases"], values["min_life_days"])


def _compare(
    report: ImportReport,
    members: Sequence[Row],
    order: NewOrder,
    stored: SalesOrder,
    stored_lines: Sequence[OrderLine],
    customer: str,
) -> None:
    lines = [
        NewLine(line.line_no, line.product_id, line.cases, line.min_life_days)
        for line in sorted(stored_lines, key=lambda line: line.line_no)
    ]
    same = NewOrder(
        stored.code, stored.customer_id, stored.ship_on, stored.deliver_on, stored.priority, lines
    )
    if same == order:
        report.unchanged += len(members)
        return
    told = {
        "customer": same.customer_id != order.customer_id,
        "ship_on": same.ship_on != order.ship_on,
        "deliver_on": same.deliver_on != order.deliver_on,
        "priority": same.priority != order.priority,
        "cases": same.lines != order.lines,
    }
    for field in (field for field, differs in told.items() if differs):
        if field == "cases":
            kept = "; ".join(f"line {line.line_no}: {line.cases} cases" for line in lines)
        else:
            kept = customer if field == "customer" else str(getattr(stored, field))
        report.fault(
            members[0],
            field,
            f"order {stored.code} is stored with other facts ({kept}).",
            "Write the same, or cancel the order and place it under a new code.",
        )
