"""How far a store has come from empty to its first pick list."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.picking.core.states import AllocationState
from rimekeep.picking.tables import Allocated, Pick, PickList
from rimekeep.stock.core.states import ROOMS, QaState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, Zone

# As many as one request may name, and as many as a person releases one by one.
MOST_ORDERS, MOST_LOTS = 2000, 20


@dataclass(frozen=True, slots=True)
class FirstSteps:
    """How far a store has come from empty to its first pick list, and what the last steps are about."""

    there: dict[str, bool]
    # Lots that wait for QA's word; orders that wait to be served; orders served that have no pick list yet.
    lots: list[tuple[int, str]]
    open_order_ids: list[int]
    served_order_ids: list[int]


def first_steps(session: Session, site_id: int) -> FirstSteps:
    """Return how far a site has come; a few statements however full it is."""
    there = {
        "zones": select(col(Zone.id)).where(col(Zone.site_id) == site_id, col(Zone.kind).in_(ROOMS)),
        "bays": select(col(Bay.id)).where(col(Bay.site_id) == site_id),
        "products": select(col(Product.id)).where(col(Product.site_id) == site_id),
        "lots": select(col(Lot.id)).where(col(Lot.site_id) == site_id),
        "units": select(col(Unit.id)).where(col(Unit.site_id) == site_id),
        "released": select(col(Lot.id)).where(
            col(Lot.site_id) == site_id, col(Lot.qa_state) == QaState.RELEASED
        ),
        "customers": select(col(Customer.id)).where(col(Customer.site_id) == site_id),
        "orders": select(col(SalesOrder.id)).where(col(SalesOrder.site_id) == site_id),
        "served": select(col(Allocated.id)).where(col(Allocated.site_id) == site_id),
        "lists": select(col(PickList.id)).where(col(PickList.site_id) == site_id),
    }
    row = session.execute(select(*(one.exists().label(name) for name, one in there.items()))).one()
    held = session.execute(
        select(col(Lot.id), col(Lot.code))
        .where(col(Lot.site_id) == site_id, col(Lot.qa_state) == QaState.HELD)
        .order_by(col(Lot.id))
        .limit(MOST_LOTS)
    )
    is_open = col(SalesOrder.state) == OrderState.OPEN
    orders = select(col(SalesOrder.id)).where(col(SalesOrder.site_id) == site_id, is_open)
    is_listed = select(col(Pick.id)).where(col(Pick.allocation_id) == col(Allocated.id)).exists()
    served = (
        select(col(OrderLine.order_id))
        .distinct()
        .join(Allocated, col(Allocated.line_id) == col(OrderLine.id))
        .where(col(Allocated.site_id) == site_id, col(Allocated.state) == AllocationState.RESERVED)
        .where(~is_listed)
    )
    return FirstSteps(
        {name: bool(found) for name, found in row._mapping.items()},
        [(one[0], one[1]) for one in held],
        list(session.scalars(orders.order_by(col(SalesOrder.id)).limit(MOST_ORDERS))),
        list(session.scalars(served.order_by(col(OrderLine.order_id)).limit(MOST_ORDERS))),
    )
