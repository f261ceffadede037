"""Register customers, place orders, note how far they have come and what was delivered."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Fault, Invalid, invalid, missing
from rimekeep.orders import queries
from rimekeep.orders.core.records import NewLine
from rimekeep.orders.core.states import FOLLOWING, OrderState
from rimekeep.orders.tables import Customer, LastDelivered, OrderLine, SalesOrder
from rimekeep.platform.database import insert_new, parts
from rimekeep.platform.journal import Event, record


@dataclass(frozen=True, slots=True)
class NewOrder:
    """An order about to be placed, already checked."""

    code: str
    customer_id: int
    ship_on: date
    deliver_on: date
    priority: int
    lines: Sequence[NewLine]


def register_customer(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    code: str,
    name: str,
    contact: str = "",
    address: str = "",
    min_life_days: int = 0,
    no_backward_date: bool = False,
    max_lots_per_line: int | None = None,
) -> Customer:
    """Add a customer with their rules."""
    if queries.customer_by_code(session, caller.site_id, code) is not None:
        raise Conflict("customer-exists", f"There is a customer {code} already.")
    added = Customer(
        site_id=caller.site_id,
        code=code,
        name=name,
        contact=contact,
        address=address,
        min_life_days=min_life_days,
        no_backward_date=no_backward_date,
        max_lots_per_line=max_lots_per_line,
    )
    add_customers(session, now, caller, [added])
    return added


def add_customers(session: Session, now: datetime, caller: Caller, added: Sequence[Customer]) -> None:
    """Write customers that were checked, and record them. Whom to call stays out of the ledger."""
    session.add_all(added)
    session.flush()
    for customer in added:
        data = {
            "id": customer.id,
            "code": customer.code,
            "name": customer.name,
            "min_life_days": customer.min_life_days,
            "no_backward_date": customer.no_backward_date,
            "max_lots_per_line": customer.max_lots_per_line,
        }
        record(session, caller.site_id, Event("customer.registered", now, actor_id=caller.id, data=data))


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
) -> SalesOrder:
    """Take an order in."""
    if queries.order_by_code(session, caller.site_id, code) is not None:
        raise Conflict("order-exists", f"There is an order {code} already.")
    check_days(ship_on, deliver_on)
    faults = []
    if not queries.has_customer(session, caller.site_id, customer_id):
        faults.append(
            Fault(
                "customer_id",
                f"There is no customer {customer_id} at this site.",
                "Register them first, or correct the id.",
            )
        )
    known = queries.known_products(session, caller.site_id, [line.product_id for line in lines])
    seen: dict[int, int] = {}
    for place, line in enumerate(lines):
        if line.product_id not in known:
            faults.append(
                Fault(
                    f"lines[{place}].product_id",
                    f"There is no product {line.product_id} at this site.",
                    "Register it first, or correct the id.",
                )
            )
        first = seen.setdefault(line.line_no, place)
        if first != place:
            faults.append(
                Fault(
                    f"lines[{place}].line_no",
                    f"Line {line.line_no} stands at lines[{first}] already.",
                    "Number the lines 1, 2, 3, … or leave the numbers out.",
                )
            )
    if faults:
        raise Invalid("invalid-input", "The order cannot be taken as it is.", tuple(faults))
    order = NewOrder(code, customer_id, ship_on, deliver_on, priority, lines)
    return add_orders(session, now, caller, [order])[0]


def check_days(ship_on: date, deliver_on: date) -> None:
    """Refuse a delivery before the shipment."""
    if deliver_on < ship_on:
        raise invalid(
            "deliver_on", f"{deliver_on} lies before the ship day {ship_on}.", "Give that day or a later one."
        )


def add_orders(
    session: Session, now: datetime, caller: Caller, placed: Sequence[NewOrder]
) -> list[SalesOrder]:
    """Write orders that were checked, and record them."""
    rows = [
        SalesOrder(
            site_id=caller.site_id,
            customer_id=order.customer_id,
            code=order.code,
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
        {
            "site_id": caller.site_id,
            "order_id": row.id,
            "line_no": line.line_no,
            "product_id": line.product_id,
            "cases": line.cases,
            "min_life_days": line.min_life_days,
        }
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
            "ship_on": row.ship_on.isoformat(),
            "deliver_on": row.deliver_on.isoformat(),
            "priority": row.priority,
            "lines": [
                {
                    "line_no": line.line_no,
                    "product_id": line.product_id,
                    "cases": line.cases,
                    "min_life_days": line.min_life_days,
                }
                for line in order.lines
            ],
        }
        record(session, caller.site_id, Event("order.placed", now, actor_id=caller.id, data=data))
    return rows


def set_state(session: Session, order_id: int, state: OrderState) -> SalesOrder:
    """
    Note how far an order has come; the same state again changes nothing.

    Raises
    ------
    Conflict
        The order's present state does not lead there.
    """
    order = session.get(SalesOrder, order_id, populate_existing=True)
    if order is None:
        raise missing("order", order_id)
    present = OrderState(order.state)
    if present == state:
        return order
    if state not in FOLLOWING[present]:
        raise Conflict(
            "order-state",
            f"Order {order.code} is {present}; from there it cannot become {state}.",
            data={"order_id": order_id, "state": str(present), "wanted": str(state)},
        )
    order.state = state
    session.flush()
    return order


def advance_orders(session: Session, site_id: int, order_ids: Collection[int], state: OrderState) -> None:
    """Note that many orders have come to ``state``; those already there stay, the others must lead there."""
    before = [present for present, after in FOLLOWING.items() if state in after]
    for ids in parts(order_ids):
        session.execute(
            update(SalesOrder)
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.id).in_(ids))
            .where(col(SalesOrder.state).in_(before))
            .values(state=state)
            .execution_options(synchronize_session="fetch")
        )
        stuck = session.scalar(
            select(col(SalesOrder.code)).where(
                col(SalesOrder.site_id) == site_id,
                col(SalesOrder.id).in_(ids),
                col(SalesOrder.state) != state,
            )
        )
        if stuck is not None:
            raise Conflict("order-state", f"Order {stuck} cannot become {state} from the state it is in now.")


def note_delivered(session: Session, customer_id: int, product_id: int, printed_on: date) -> None:
    """Note a printed date the customer got; only the newest is kept, whatever the order of the notes."""
    row = {"customer_id": customer_id, "product_id": product_id, "printed_on": printed_on}
    if insert_new(session, SQLModel.metadata.tables["last_delivered"], [row]):
        return
    session.execute(
        update(LastDelivered)
        .where(col(LastDelivered.customer_id) == customer_id, col(LastDelivered.product_id) == product_id)
        .where(col(LastDelivered.printed_on) < printed_on)
        .values(printed_on=printed_on)
    )
