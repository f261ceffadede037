"""Note how far orders have come and what was delivered."""

from collections.abc import Collection
from datetime import date

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.errors import Conflict, missing
from rimekeep.orders.core.states import FOLLOWING, OrderState
from rimekeep.orders.tables import LastDelivered, SalesOrder
from rimekeep.platform.database import insert_new, parts
from rimekeep.wording import say


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
            say(
                "Order {code} is {present}; from there it cannot become {state}.",
                code=order.code,
                present=present,
                state=state,
            ),
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
            raise Conflict(
                "order-state",
                say(
                    "Order {stuck} cannot become {state} from the state it is in now. Read it again.",
                    stuck=stuck,
                    state=state,
                ),
            )


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
