"""Cancel an order and give back everything it holds."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, conflict
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.states import FOLLOWING, OrderState
from rimekeep.orders.tables import SalesOrder
from rimekeep.picking import queries
from rimekeep.picking.core.states import AllocationState, PickState
from rimekeep.picking.queries import Serving
from rimekeep.picking.tables import Allocated
from rimekeep.picking.usecases.finish import close_list
from rimekeep.picking.usecases.shorts import forget_shorts
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Event, record
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say


def cancel_order(
    session: Session, now: datetime, caller: Caller, *, order_id: int, reason: str
) -> SalesOrder:
    """
    Cancel an order that is not on a truck yet.

    Reservations end, open picks are closed with the reason, and units picked already become ordinary stock
    where they stand.
    """
    order = orders.order(session, caller.site_id, order_id, is_locked=True)
    if OrderState.CANCELLED not in FOLLOWING[OrderState(order.state)]:
        raise _too_late(order)
    held = queries.serving(session, order_id)
    by_content: Counter[int] = Counter()
    for one in held:
        by_content[one.content_id] += one.cases
    stock_usecases.return_many(session, by_content)
    picked = {one.unit_id for one in held if one.state != AllocationState.RESERVED}
    if picked:
        stock_usecases.put_back_units(session, now, caller, unit_ids=picked)
    for ids in parts([one.allocation_id for one in held]):
        session.execute(
            update(Allocated)
            .where(col(Allocated.id).in_(ids))
            .values(state=AllocationState.RETURNED)
            .execution_options(synchronize_session=False)
        )
    _close_work(session, now, caller, held, reason)
    forget_shorts(session, [line.id for line in orders.lines_of(session, order_id)])
    order = order_usecases.set_state(session, order_id, OrderState.CANCELLED)
    data = {
        "order_id": order.id,
        "code": order.code,
        "returned": [
            {"lot_id": one.lot_id, "unit_id": one.unit_id, "cases": one.cases, "was": one.state}
            for one in held
        ],
    }
    record(
        session,
        caller.site_id,
        Event(
            "order.cancelled",
            now,
            actor_id=caller.id,
            cases=sum(by_content.values()),
            reason=reason,
            data=data,
        ),
    )
    return order


def _too_late(order: SalesOrder) -> Conflict:
    mend = {
        OrderState.CANCELLED: say("Nothing is left to be done."),
        OrderState.LOADED: say("Take it off the truck first."),
    }.get(OrderState(order.state), say("What comes back is taken in when its trip ends."))
    fact = say(
        "Order {code} is {state} already and cannot be cancelled any more.",
        code=order.code,
        state=order.state,
    )
    return conflict("order-state", "order_id", fact, mend, {"order_id": order.id, "state": str(order.state)})


def _close_work(
    session: Session, now: datetime, caller: Caller, held: Sequence[Serving], reason: str
) -> None:
    """Withdraw the order's open picks, and close lists nothing is left on."""
    picks = SQLModel.metadata.tables["pick"]
    for ids in parts([one.pick_id for one in held if one.pick_id is not None]):
        session.execute(
            update(picks)
            .where(picks.c.id.in_(ids))
            .values(
                state=PickState.WITHDRAWN,
                reason=f"order cancelled: {reason}"[:500],
                note=f"Leave it, the order was cancelled: {reason}"[:200],
                done_at=now,
            )
        )
    touched = {one.list_id for one in held if one.list_id is not None}
    for list_id in queries.emptied_lists(session, touched):
        # What was built on it for other orders is brought to staging.
        close_list(session, now, caller, list_id)
