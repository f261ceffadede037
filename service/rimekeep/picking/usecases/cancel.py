"""Cancel an order and give back everything it holds."""

from collections import defaultdict
from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.states import FOLLOWING, OrderState
from rimekeep.orders.tables import SalesOrder
from rimekeep.picking import queries
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.tables import Allocated
from rimekeep.picking.usecases.shorts import forget_shorts
from rimekeep.platform.journal import Event, record
from rimekeep.stock import usecases as stock_usecases


def cancel_order(
    session: Session, now: datetime, caller: Caller, *, order_id: int, reason: str
) -> SalesOrder:
    """
    Cancel an order that is not on a truck yet.

    Reservations end, open picks are closed with the reason, and units picked already become ordinary stock
    where they stand.
    """
    orders.check_orders(session, caller.site_id, [order_id])
    orders.lock_orders(session, caller.site_id, [order_id])
    order = orders.order(session, caller.site_id, order_id)
    session.refresh(order)
    if OrderState.CANCELLED not in FOLLOWING[OrderState(order.state)]:
        raise Conflict(
            "order-state",
            f"Order {order.code} is {order.state} and cannot be cancelled any more.",
            data={"order_id": order.id, "state": str(order.state)},
        )
    held = queries.order_allocations(session, caller.site_id, [order_id], states=queries.HOLDING)
    by_content: dict[int, int] = defaultdict(int)
    for one in held:
        by_content[one.content_id] += one.cases
    for content_id in sorted(by_content):
        stock_usecases.return_cases(session, content_id, by_content[content_id])
    picked = {one.unit_id for one in held if one.state != AllocationState.RESERVED}
    if picked:
        stock_usecases.put_back_units(session, now, caller, unit_ids=picked)
    session.execute(
        update(Allocated)
        .where(col(Allocated.id).in_([one.id for one in held]))
        .values(state=AllocationState.RETURNED)
        .execution_options(synchronize_session=False)
    )
    _close_work(session, now, order_id, reason)
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


def _close_work(session: Session, now: datetime, order_id: int, reason: str) -> None:
    """Withdraw the order's open picks, close lists nothing is left on, and forget what was short of it."""
    lists, picks = SQLModel.metadata.tables["pick_list"], SQLModel.metadata.tables["pick"]
    touched = list(session.scalars(queries.lists_for(order_id)))
    session.execute(
        update(picks)
        .where(picks.c.allocation_id.in_(queries.allocations_for(order_id)), picks.c.state == PickState.OPEN)
        .values(
            state=PickState.WITHDRAWN,
            reason=f"order cancelled: {reason}"[:500],
            note=f"Leave it, the order was cancelled: {reason}"[:200],
            done_at=now,
        )
    )
    session.execute(
        update(lists)
        .where(lists.c.id.in_(queries.emptied_lists(session, touched)), lists.c.state != ListState.DONE)
        .values(state=ListState.DONE, leased_until=None, done_at=now)
    )
    forget_shorts(session, [line.id for line in orders.lines_of(session, order_id)])
