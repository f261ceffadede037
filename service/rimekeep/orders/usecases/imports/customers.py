"""Customers, their rules for single products and their places, from files."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Invalid
from rimekeep.orders import queries
from rimekeep.orders.tables import Customer, CustomerDrop, CustomerRule
from rimekeep.orders.usecases.customers import (
    Changeable,
    add_all,
    change,
    require_place,
    require_rule,
)
from rimekeep.orders.usecases.imports.cells import Degrees, clock, days, fraction, positive
from rimekeep.orders.usecases.imports.comparing import BY_FILE, Progress, begin, differing, tell_differing
from rimekeep.platform.csvfile import Column, ImportReport, Row, Rows, code, name, text, yes_no

CUSTOMER_COLUMNS = (
    Column("code", code),
    Column("name", name),
    Column("contact", text, is_required=False, default=""),
    Column("address", text, is_required=False, default=""),
    Column("min_life_days", days, is_required=False, default=0),
    Column("min_life_fraction", fraction, is_required=False),
    Column("no_backward_date", yes_no, is_required=False, default=False),
    Column("max_lots_per_line", positive, is_required=False),
)
RULE_COLUMNS = (
    Column("customer", code),
    Column("sku", code),
    Column("min_life_days", days, is_required=False),
    Column("min_life_fraction", fraction, is_required=False),
    Column("no_backward_date", yes_no, is_required=False),
    Column("max_lots_per_line", positive, is_required=False),
)
DROP_COLUMNS = (
    Column("customer", code),
    Column("code", code),
    Column("name", name),
    Column("address", text, is_required=False, default=""),
    Column("contact", text, is_required=False, default=""),
    Column("latitude", Degrees(90), is_required=False),
    Column("longitude", Degrees(180), is_required=False),
    Column("opens_at", clock, is_required=False),
    Column("closes_at", clock, is_required=False),
)


def import_customers(
    session: Session,
    now: datetime,
    caller: Caller,
    rows: Rows,
    progress: Progress,
    *,
    is_amending: bool = False,
) -> ImportReport:
    """Add the customers of a file; with ``is_amending`` those there are changed to what the file says."""
    report = begin("customers", rows, "code")
    known = queries.customers_by_code(session, caller.site_id)
    added: list[Changeable] = []
    changed: list[tuple[Changeable, dict[str, Any]]] = []
    for done, row in enumerate(rows.rows, 1):
        facts: dict[str, Any] = dict(row.values)
        stored = known.get(facts["code"])
        if stored is None:
            added.append(Customer(site_id=caller.site_id, **facts))
        else:
            _compare(report, row, rows, f"customer {stored.code}", stored, facts, changed, is_amending)
        progress(done, len(rows.rows))
    return _write(session, now, caller, report, added, changed)


def import_rules(
    session: Session,
    now: datetime,
    caller: Caller,
    rows: Rows,
    progress: Progress,
    *,
    is_amending: bool = False,
) -> ImportReport:
    """Add customers' rules for single products; an empty cell leaves what the customer wants of all."""
    report = begin("customer-rules", rows, "customer", "sku")
    customers = queries.customers_by_code(session, caller.site_id)
    products = queries.product_ids_by_sku(session, caller.site_id)
    known = queries.rules_by_pair(session, caller.site_id)
    added: list[Changeable] = []
    changed: list[tuple[Changeable, dict[str, Any]]] = []
    for done, row in enumerate(rows.rows, 1):
        facts: dict[str, Any] = dict(row.values)
        customer = _customer(report, row, customers)
        product_id = products.get(facts.pop("sku"))
        facts.pop("customer")
        if product_id is None:
            report.fault(
                row, "sku", f"{row.values['sku']!r} is not a product here.", "Import the products first."
            )
        elif customer is not None and _is_sound(report, row, require_rule, facts):
            stored = known.get((customer.id, product_id))
            if stored is None:
                added.append(
                    CustomerRule(
                        site_id=caller.site_id, customer_id=customer.id, product_id=product_id, **facts
                    )
                )
            else:
                what = f"{customer.code} and {row.values['sku']}"
                _compare(report, row, rows, what, stored, facts, changed, is_amending)
        progress(done, len(rows.rows))
    return _write(session, now, caller, report, added, changed)


def import_drops(
    session: Session,
    now: datetime,
    caller: Caller,
    rows: Rows,
    progress: Progress,
    *,
    is_amending: bool = False,
) -> ImportReport:
    """Add the places customers are delivered to."""
    report = begin("drops", rows, "customer", "code")
    customers = queries.customers_by_code(session, caller.site_id)
    known = queries.drops_by_code(session, caller.site_id)
    added: list[Changeable] = []
    changed: list[tuple[Changeable, dict[str, Any]]] = []
    for done, row in enumerate(rows.rows, 1):
        facts: dict[str, Any] = dict(row.values)
        customer = _customer(report, row, customers)
        facts.pop("customer")
        if customer is not None and _is_sound(report, row, require_place, facts):
            stored = known.get((customer.id, facts["code"]))
            if stored is None:
                added.append(CustomerDrop(site_id=caller.site_id, customer_id=customer.id, **facts))
            else:
                what = f"place {facts['code']} of {customer.code}"
                _compare(report, row, rows, what, stored, facts, changed, is_amending)
        progress(done, len(rows.rows))
    return _write(session, now, caller, report, added, changed)


def _customer(report: ImportReport, row: Row, customers: Mapping[str, Customer]) -> Customer | None:
    wanted = str(row.values["customer"])
    if wanted not in customers:
        report.fault(row, "customer", f"{wanted!r} is not a customer here.", "Import the customers first.")
    return customers.get(wanted)


def _is_sound(report: ImportReport, row: Row, check: Any, facts: Mapping[str, Any]) -> bool:
    """Note what a use case would refuse about this row as faults of its cells."""
    try:
        check(facts)
    except Invalid as error:
        for fault in error.faults:
            report.fault(row, fault.field, fault.detail, fault.mend)
        return False
    return True


def _compare(
    report: ImportReport,
    row: Row,
    rows: Rows,
    what: str,
    stored: Changeable,
    facts: Mapping[str, Any],
    changed: list[tuple[Changeable, dict[str, Any]]],
    is_amending: bool,
) -> None:
    """Leave alone what is the same; note other facts as a change, or as faults where none is asked for."""
    # A column the file does not have says nothing about what is stored.
    said = {name: value for name, value in facts.items() if rows.has(name)}
    others = differing(stored, said)
    if not others:
        report.unchanged += 1
    elif is_amending:
        changed.append((stored, {name: said[name] for name in others}))
    else:
        tell_differing(report, row, what, stored, said, others)


def _write(
    session: Session,
    now: datetime,
    caller: Caller,
    report: ImportReport,
    added: Sequence[Changeable],
    changed: Sequence[tuple[Changeable, dict[str, Any]]],
) -> ImportReport:
    if not report.faults:
        add_all(session, now, caller, added)
        for stored, facts in changed:
            change(session, now, caller, stored, reason=BY_FILE, **facts)
        report.created, report.amended = len(added), len(changed)
    return report
