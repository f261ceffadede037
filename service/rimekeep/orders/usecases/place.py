"""Take orders in, one by one or many at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Fault, Invalid, conflict
from rimekeep.orders import queries
from rimekeep.orders.core.records import NewLine, NewOrder
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say


class Outcome(StrEnum):
    """What became of one order of many."""

    PLACED = "placed"
    UNCHANGED = "unchanged"
    CONFLICT = "conflict"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True)
class Placed:
    """What became of one order of many; ``order`` is the one there is now under its code, if any."""

    outcome: Outcome
    order: SalesOrder | None = None
    faults: tuple[Fault, ...] = ()


@dataclass(slots=True)
class _Known:
    """What the orders of one call refer to, as far as the site has it."""

    customers: set[int]
    products: set[int]
    customer_of_drop: dict[int, int]
    stored: dict[str, SalesOrder] = field(default_factory=dict)


def place_order(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    code: str,
    customer_id: int,
    ship_on: date,
    deliver_on: date,
    lines: Sequence[NewLine],
    priority: int = 0,
    drop_id: int | None = None,
    external_reference: str = "",
) -> SalesOrder:
    """Take an order in, given fact by fact."""
    order = NewOrder(code, customer_id, ship_on, deliver_on, priority, lines, drop_id, external_reference)
    return take_order(session, now, caller, order)


def take_order(session: Session, now: datetime, caller: Caller, order: NewOrder) -> SalesOrder:
    """
    Take an order in.

    Raises
    ------
    Conflict
        There is one of its code.
    Invalid
        Names every field that is wrong.
    """
    take_turns(session, turn_of(caller.site_id))
    if queries.order_by_code(session, caller.site_id, order.code) is not None:
        raise conflict(
            "order-exists",
            "code",
            say("There is an order {code} already.", code=order.code),
            say("Amend that order, or give this one a code of its own."),
        )
    faults = order_faults(order, _known(session, caller.site_id, [order]))
    if faults:
        raise Invalid("invalid-input", say("The order cannot be taken as it is."), tuple(faults))
    return add_orders(session, now, caller, [order])[0]


def place_orders(session: Session, now: datetime, caller: Caller, orders: Sequence[NewOrder]) -> list[Placed]:
    """
    Take many orders in, each wholly or not at all; return what became of each, in the order given.

    An order whose code is there with the very same facts, from before or from earlier in the list, is left as
    it is. One that differs is not taken: it is amended by name or cancelled.
    """
    take_turns(session, turn_of(caller.site_id))
    known = _known(session, caller.site_id, orders)
    known.stored = queries.orders_by_code(session, caller.site_id, [order.code for order in orders])
    lines = queries.lines_by_order(session, caller.site_id, [order.id for order in known.stored.values()])
    before = {code: as_placed(order, lines[order.id]) for code, order in known.stored.items()}
    first: dict[str, NewOrder] = {}
    answers: list[Placed] = []
    for order in orders:
        same = before.get(order.code) or first.get(order.code)
        faults = order_faults(order, known)
        if faults:
            answers.append(Placed(Outcome.INVALID, faults=tuple(faults)))
        elif same is None:
            first[order.code] = order
            answers.append(Placed(Outcome.PLACED))
        elif differences(same, order):
            answers.append(Placed(Outcome.CONFLICT, faults=(_differs(same, order),)))
        else:
            answers.append(Placed(Outcome.UNCHANGED))
    added = add_orders(session, now, caller, list(first.values()))
    there = known.stored | {row.code: row for row in added}
    return [
        Placed(one.outcome, None if one.faults else there[order.code], one.faults)
        for one, order in zip(answers, orders, strict=True)
    ]


def turn_of(site_id: int) -> str:
    """Return what those who take orders in wait for: two who send the same must not both find it new."""
    return f"orders of site {site_id}"


def as_placed(order: SalesOrder, lines: Sequence[OrderLine]) -> NewOrder:
    """Return a stored order in the words of a new one; lines taken off it do not count."""
    return NewOrder(
        order.code,
        order.customer_id,
        order.ship_on,
        order.deliver_on,
        order.priority,
        [
            NewLine(line.line_no, line.product_id, line.cases, line.min_life_days, line.min_life_fraction)
            for line in sorted(lines, key=lambda line: line.line_no)
            if line.cases
        ],
        order.drop_id,
        order.external_reference,
    )


def differences(one: NewOrder, other: NewOrder) -> list[str]:
    """Return the fields in which two orders of one code differ; lines go by their numbers."""
    names = [
        name
        for name in ("customer_id", "ship_on", "deliver_on", "priority", "drop_id", "external_reference")
        if getattr(one, name) != getattr(other, name)
    ]
    lines, others = ({line.line_no: line for line in order.lines} for order in (one, other))
    return names + (["lines"] if lines != others else [])


def _differs(same: NewOrder, order: NewOrder) -> Fault:
    return Fault(
        "code",
        say(
            "There is an order {code} with another {choices}.",
            code=order.code,
            choices=", ".join(differences(same, order)),
        ),
        say("Amend that order, or give this one a code of its own."),
    )


def _known(session: Session, site_id: int, orders: Sequence[NewOrder]) -> _Known:
    products = {line.product_id for order in orders for line in order.lines}
    drops = {order.drop_id for order in orders if order.drop_id is not None}
    return _Known(
        queries.known_customers(session, site_id, {order.customer_id for order in orders}),
        queries.known_products(session, site_id, products),
        queries.customers_of_drops(session, site_id, drops),
    )


def order_faults(order: NewOrder, known: _Known) -> list[Fault]:
    """Return what is wrong with an order, field by field."""
    faults = days_faults(order.ship_on, order.deliver_on)
    if order.customer_id not in known.customers:
        faults.append(
            Fault(
                "customer_id",
                say("There is no customer {customer_id} at this site.", customer_id=order.customer_id),
                say("Register them first, or correct the id."),
            )
        )
    if order.drop_id is not None and known.customer_of_drop.get(order.drop_id) != order.customer_id:
        faults.append(foreign_drop(order.drop_id))
    seen: dict[int, int] = {}
    for place, line in enumerate(order.lines):
        if line.product_id not in known.products:
            faults.append(unknown_product(f"lines[{place}].product_id", line.product_id))
        first = seen.setdefault(line.line_no, place)
        if first != place:
            faults.append(
                Fault(
                    f"lines[{place}].line_no",
                    say(
                        "Line {line_no} stands at lines[{first}] already.", line_no=line.line_no, first=first
                    ),
                    say("Number the lines 1, 2, 3, … or leave the numbers out."),
                )
            )
    return faults


def unknown_product(where: str, product_id: int) -> Fault:
    """Return the fault of a product that is not the site's."""
    return Fault(
        where,
        say("There is no product {product_id} at this site.", product_id=product_id),
        say("Register it first, or correct the id."),
    )


def foreign_drop(drop_id: int) -> Fault:
    """Return the fault of a place that is not the customer's."""
    return Fault(
        "drop_id",
        say("The customer has no place {drop_id}.", drop_id=drop_id),
        say("Give one of the customer's own places, or none for their address."),
    )


def days_faults(ship_on: date, deliver_on: date) -> list[Fault]:
    """Return the fault of a delivery before the shipment, if it is one."""
    if deliver_on >= ship_on:
        return []
    detail = say("{deliver_on} lies before the ship day {ship_on}.", deliver_on=deliver_on, ship_on=ship_on)
    return [Fault("deliver_on", detail, say("Give that day or a later one."))]


def add_orders(
    session: Session, now: datetime, caller: Caller, placed: Sequence[NewOrder]
) -> list[SalesOrder]:
    """Write orders that were checked, and record them."""
    rows = [
        SalesOrder(
            site_id=caller.site_id,
            customer_id=order.customer_id,
            drop_id=order.drop_id,
            code=order.code,
            external_reference=order.external_reference,
            ship_on=order.ship_on,
            deliver_on=order.deliver_on,
            priority=order.priority,
            state=OrderState.OPEN,
            placed_at=now,
        )
        for order in placed
    ]
    session.add_all(rows)
    session.flush()
    lines = [
        {"site_id": caller.site_id, "order_id": row.id, **line_facts(line)}
        for row, order in zip(rows, placed, strict=True)
        for line in order.lines
    ]
    if lines:
        session.execute(insert(OrderLine), lines)
    for row, order in zip(rows, placed, strict=True):
        data = {
            "order_id": row.id,
            "code": row.code,
            "customer_id": row.customer_id,
            **head_facts(row),
            "lines": [line_facts(line) for line in order.lines],
        }
        record(session, caller.site_id, Event("order.placed", now, actor_id=caller.id, data=data))
    return rows


def head_facts(order: SalesOrder) -> dict[str, Any]:
    """Return what may change about an order as the ledger has it."""
    return {
        "ship_on": order.ship_on.isoformat(),
        "deliver_on": order.deliver_on.isoformat(),
        "priority": order.priority,
        "drop_id": order.drop_id,
        "external_reference": order.external_reference,
    }


def line_facts(line: NewLine | OrderLine) -> Mapping[str, Any]:
    """Return a line as tables and ledger have it."""
    return {
        "line_no": line.line_no,
        "product_id": line.product_id,
        "cases": line.cases,
        "min_life_days": line.min_life_days,
        "min_life_fraction": line.min_life_fraction,
    }
