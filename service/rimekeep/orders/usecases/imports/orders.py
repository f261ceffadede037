"""Orders from files, one row a line; the lines of one order may stand anywhere in the file."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import RimekeepError
from rimekeep.orders import queries
from rimekeep.orders.core.records import LineChange, NewLine, NewOrder, OrderChange
from rimekeep.orders.tables import Customer, CustomerDrop, OrderLine, SalesOrder
from rimekeep.orders.usecases.amend import as_change, check_change, require_amendable
from rimekeep.orders.usecases.imports.cells import cases, days, fraction, positive, priority
from rimekeep.orders.usecases.imports.comparing import AMEND_MEND, BY_FILE, Progress, begin, shown
from rimekeep.orders.usecases.place import add_orders, as_placed, turn_of
from rimekeep.platform.csvfile import Column, ImportReport, Row, Rows, code, day, name
from rimekeep.platform.database import take_turns
from rimekeep.wording import say

ORDER_COLUMNS = (
    Column("order", code),
    Column("customer", code),
    Column("ship_on", day),
    Column("deliver_on", day),
    Column("priority", priority, is_required=False, default=0),
    Column("drop", code, is_required=False),
    Column("reference", name, is_required=False, default=""),
    Column("line", positive),
    Column("sku", code),
    Column("cases", cases),
    Column("min_life_days", days, is_required=False),
    Column("min_life_fraction", fraction, is_required=False),
)
_HEAD = ("customer", "ship_on", "deliver_on", "priority", "drop", "reference")
# What a column of the head is called where it is stored.
_STORED = {"drop": "drop_id", "reference": "external_reference", "customer": "customer_id"}
_COLUMNS = {stored: column for column, stored in _STORED.items()}
_LINE = ("product_id", "cases", "min_life_days", "min_life_fraction")
_PLACE = re.compile(r"lines\[(\d+)\]\.?(.*)")

Amend = Callable[[Session, datetime, Caller, int, OrderChange, str], object]


@dataclass(frozen=True, slots=True)
class _Site:
    """What the site has of what orders name."""

    customers: Mapping[str, Customer]
    products: Mapping[str, int]
    drops: Mapping[tuple[int, str], CustomerDrop]
    skus: Mapping[int, str]


def import_orders(
    session: Session,
    now: datetime,
    caller: Caller,
    rows: Rows,
    progress: Progress,
    *,
    amend: Amend | None = None,
) -> ImportReport:
    """
    Add the orders of a file.

    An order that is there with the same facts is left alone. With other facts it is a fault, or, where
    ``amend`` is given, changed by it to what the file says: lines the file does not have are taken off.
    """
    report = begin("orders", rows, "order", "line")
    take_turns(session, turn_of(caller.site_id))
    products = queries.product_ids_by_sku(session, caller.site_id)
    site = _Site(
        queries.customers_by_code(session, caller.site_id),
        products,
        queries.drops_by_code(session, caller.site_id),
        {product_id: sku for sku, product_id in products.items()},
    )
    by_order: dict[str, list[Row]] = {}
    for row in rows.rows:
        by_order.setdefault(str(row.values["order"]), []).append(row)
    # Locked where they may be amended: what is compared now is what is changed below.
    known = queries.orders_by_code(session, caller.site_id, list(by_order), is_locked=amend is not None)
    stored_lines = queries.lines_by_order(session, caller.site_id, [order.id for order in known.values()])
    placed: list[NewOrder] = []
    changes: list[tuple[SalesOrder, OrderChange]] = []
    done = 0
    for order_code, members in by_order.items():
        done += len(members)
        before = len(report.faults)
        _check_head(report, members, site)
        _check_products(report, members, site)
        stored = known.get(order_code)
        if len(report.faults) == before:
            if stored is None:
                placed.append(_new_order(order_code, members, site))
            else:
                there = stored_lines[stored.id]
                _meet_stored(
                    session,
                    report,
                    members,
                    site,
                    stored,
                    there,
                    changes,
                    is_amending=amend is not None,
                )
        progress(done, len(rows.rows))
    if not report.faults:
        add_orders(session, now, caller, placed)
        report.created = sum(len(order.lines) for order in placed)
        if amend is not None:
            for order, change in changes:
                amend(session, now, caller, order.id, change, BY_FILE)
            report.amended = len(changes)
    return report


def _check_head(report: ImportReport, members: Sequence[Row], site: _Site) -> None:
    """Note faults of what must be the same on all lines of one order."""
    first = members[0]
    for row in members[1:]:
        for field in _HEAD:
            if row.values[field] != first.values[field]:
                report.fault(
                    row,
                    field,
                    say(
                        "line {line} of the same order has {shown}.",
                        line=first.line,
                        shown=shown(first.values[field]),
                    ),
                    say(
                        "An order has one customer, one ship day, one delivery day, one priority, one place."
                    ),
                )
    customer = site.customers.get(str(first.values["customer"]))
    if customer is None:
        wanted = first.values["customer"]
        report.fault(
            first,
            "customer",
            say("{wanted!r} is not a customer here.", wanted=wanted),
            say("Import the customers first."),
        )
    elif first.values["drop"] is not None and (customer.id, str(first.values["drop"])) not in site.drops:
        detail = say("{code} has no place {values!r}.", code=customer.code, values=first.values["drop"])
        report.fault(first, "drop", detail, say("Import the places (drops) first, or leave the cell empty."))
    ship_on, deliver_on = first.values["ship_on"], first.values["deliver_on"]
    if isinstance(ship_on, date) and isinstance(deliver_on, date) and deliver_on < ship_on:
        report.fault(
            first,
            "deliver_on",
            say("{deliver_on} lies before the ship day {ship_on}.", deliver_on=deliver_on, ship_on=ship_on),
            say("Correct one of them."),
        )


def _check_products(report: ImportReport, members: Sequence[Row], site: _Site) -> None:
    for row in members:
        if row.values["sku"] not in site.products:
            detail = say("{values!r} is not a product here.", values=row.values["sku"])
            report.fault(row, "sku", detail, say("Import the products first."))


def _new_order(order_code: str, members: Sequence[Row], site: _Site) -> NewOrder:
    head: dict[str, Any] = members[0].values
    customer_id = site.customers[head["customer"]].id
    drop = None if head["drop"] is None else site.drops[customer_id, head["drop"]].id
    lines = sorted((_new_line(row, site) for row in members), key=lambda line: line.line_no)
    return NewOrder(
        order_code,
        customer_id,
        head["ship_on"],
        head["deliver_on"],
        head["priority"],
        lines,
        drop,
        head["reference"],
    )


def _new_line(row: Row, site: _Site) -> NewLine:
    values: dict[str, Any] = row.values
    return NewLine(
        values["line"],
        site.products[values["sku"]],
        values["cases"],
        values["min_life_days"],
        values["min_life_fraction"],
    )


def _meet_stored(
    session: Session,
    report: ImportReport,
    members: Sequence[Row],
    site: _Site,
    stored: SalesOrder,
    stored_lines: Sequence[OrderLine],
    changes: list[tuple[SalesOrder, OrderChange]],
    *,
    is_amending: bool,
) -> None:
    """Compare an order of the file with the one that is there; note what differs as faults or as a change."""
    wanted = _new_order(stored.code, members, site)
    there = as_placed(stored, stored_lines)
    head = {
        field: getattr(wanted, field)
        for field in ("customer_id", "ship_on", "deliver_on", "priority", "drop_id", "external_reference")
        if _COLUMNS.get(field, field) in members[0].told and getattr(wanted, field) != getattr(there, field)
    }
    before = {line.line_no: line for line in there.lines}
    row_of = {row.values["line"]: row for row in members}
    lines = [
        LineChange(
            line.line_no, line.product_id, line.cases, line.min_life_days, line.min_life_fraction,
            told=frozenset(_LINE) & {*row_of[line.line_no].told, "product_id"},
        )
        for line in wanted.lines
    ]  # fmt: skip
    others = [one for one in lines if _differs(one, before.get(one.line_no))]
    gone = sorted(before.keys() - row_of.keys())
    if not (head or others or gone):
        report.unchanged += len(members)
        return
    if not is_amending:
        _tell(report, members, site, stored, head, others, gone, before)
        return
    if "customer_id" in head:
        report.fault(
            members[0],
            "customer",
            say("order {code} is another customer's.", code=stored.code),
            say("An order keeps its customer: cancel it, and place one under a new code."),
        )
        return
    change = as_change(head, lines, [line for line in stored_lines if line.line_no in gone])
    try:
        require_amendable(stored)
        check_change(session, stored, change)
    except RimekeepError as error:
        _tell_refusal(report, [row_of[one.line_no] for one in lines], error)
    else:
        changes.append((stored, change))


def _differs(one: LineChange, old: NewLine | None) -> bool:
    return old is None or any(getattr(one, name) != getattr(old, name) for name in one.told)


def _tell(
    report: ImportReport,
    members: Sequence[Row],
    site: _Site,
    stored: SalesOrder,
    head: Mapping[str, object],
    others: Sequence[LineChange],
    gone: Sequence[int],
    before: Mapping[int, NewLine],
) -> None:
    """Note what differs from the order that is stored, each cell by itself."""
    row_of = {row.values["line"]: row for row in members}
    for field in head:
        column = _COLUMNS.get(field, field)
        kept: object = getattr(stored, field)
        if column == "customer":
            kept = next(one.code for one in site.customers.values() if one.id == kept)
        elif column == "drop":
            kept = next((one.code for one in site.drops.values() if one.id == kept), None)
        report.fault(
            members[0],
            column,
            say("order {code} is stored with other facts ({shown}).", code=stored.code, shown=shown(kept)),
            AMEND_MEND,
        )
    for one in others:
        old = before.get(one.line_no)
        if old is None:
            detail = say(
                "order {code} is stored without a line {line_no}.", code=stored.code, line_no=one.line_no
            )
            report.fault(row_of[one.line_no], "line", detail, AMEND_MEND)
            continue
        for field in _LINE:
            if field in one.told and getattr(one, field) != getattr(old, field):
                kept = site.skus.get(old.product_id) if field == "product_id" else getattr(old, field)
                detail = say(
                    "line {line_no} of order {code} is stored with {shown}.",
                    line_no=one.line_no,
                    code=stored.code,
                    shown=shown(kept),
                )
                report.fault(
                    row_of[one.line_no], "sku" if field == "product_id" else field, detail, AMEND_MEND
                )
    for line_no in gone:
        detail = say(
            "order {code} is stored with a line {line_no} that the file does not have.",
            code=stored.code,
            line_no=line_no,
        )
        report.fault(members[0], "line", detail, AMEND_MEND)


def _tell_refusal(report: ImportReport, rows: Sequence[Row], error: RimekeepError) -> None:
    """Note why an order cannot be amended like this, at the rows it is about."""
    if not error.faults:
        report.fault(rows[0], "order", error.detail, say("Take the order out of the file."))
    for fault in error.faults:
        found = _PLACE.fullmatch(fault.field)
        row = rows[int(found[1])] if found and int(found[1]) < len(rows) else rows[0]
        column = {"product_id": "sku", "line_no": "line", "": "line"}.get(found[2], found[2]) if found else ""
        report.fault(row, column or fault.field, fault.detail, fault.mend)
