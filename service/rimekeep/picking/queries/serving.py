"""What serves an order's lines, with all that decides what may be given back."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, and_, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.queries.allocations import HOLDING, LIVE
from rimekeep.picking.queries.lists import lock_lists
from rimekeep.picking.tables import Allocated, Pick, PickList
from rimekeep.platform.database import Listing, parts
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class Serving:
    """One allocation: the cases, where they are, and the pick that is still to be done for it, if any."""

    allocation_id: int
    state: str
    cases: int
    line_id: int
    line_no: int
    content_id: int
    content_cases: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    best_before_on: date
    packaged_at: datetime
    received_at: datetime
    product_id: int
    cases_per_layer: int
    pick_id: int | None
    stop: int | None
    list_id: int | None
    list_state: str | None


def serving(
    session: Session,
    order_id: int,
    *,
    line_ids: Collection[int] | None = None,
    states: Collection[AllocationState] = HOLDING,
) -> list[Serving]:
    """Return what serves an order's lines; its pick lists are locked until this transaction ends."""
    lock_lists(session, [order_id])
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(Allocated.id),
            col(Allocated.state),
            col(Allocated.cases),
            col(Allocated.line_id),
            col(OrderLine.line_no),
            col(UnitContent.id),
            col(UnitContent.cases),
            col(Unit.id),
            col(Unit.sscc),
            col(Lot.id),
            col(Lot.code),
            col(Lot.best_before_on),
            col(Lot.packaged_at),
            col(Unit.received_at),
            col(Product.id),
            col(Product.cases_per_layer),
            col(Pick.id),
            col(Pick.stop),
            col(PickList.id),
            col(PickList.state),
        )
        .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .outerjoin(
            Pick, and_(col(Pick.allocation_id) == col(Allocated.id), col(Pick.state) == PickState.OPEN)
        )
        .outerjoin(PickList, col(PickList.id) == col(Pick.list_id))
        .where(col(OrderLine.order_id) == order_id, col(Allocated.state).in_(states))
        .order_by(col(Allocated.id))
    )
    if line_ids is not None:
        statement = statement.where(col(OrderLine.id).in_(sorted(line_ids)))
    return [Serving(*row) for row in session.execute(statement)]


def order_of_line(session: Session, site_id: int, line_id: int) -> int | None:
    """Return the order a line of the site belongs to, or None."""
    return session.scalar(
        select(col(OrderLine.order_id)).where(col(OrderLine.id) == line_id, col(OrderLine.site_id) == site_id)
    )


def orders_to_pick(session: Session, order_ids: Collection[int]) -> set[int]:
    """Return those of the orders that have reserved cases nobody has picked yet."""
    return {
        found
        for ids in parts(order_ids)
        for found in session.scalars(
            select(col(OrderLine.order_id))
            .join(Allocated, col(Allocated.line_id) == col(OrderLine.id))
            .where(col(OrderLine.order_id).in_(ids), col(Allocated.state) == AllocationState.RESERVED)
            .distinct()
        )
    }


def lines_with_history(session: Session, order_id: int) -> set[int]:
    """Return the lines of an order that stock has ever served."""
    return set(
        session.scalars(
            select(col(Allocated.line_id))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .where(col(OrderLine.order_id) == order_id)
            .distinct()
        )
    )


def promised_beside(
    session: Session, order: SalesOrder, product_ids: Collection[int]
) -> dict[int, tuple[date | None, date | None]]:
    """
    Return, by product, the printed dates promised to the customer by other orders around this one's delivery.

    The newest of earlier deliveries, and the oldest of later ones.
    """
    found: dict[int, tuple[date | None, date | None]] = {}
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(OrderLine.product_id),
            func.max(col(Lot.best_before_on)).filter(col(SalesOrder.deliver_on) < order.deliver_on),
            func.min(col(Lot.best_before_on)).filter(col(SalesOrder.deliver_on) > order.deliver_on),
        )
        .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .join(Allocated, col(Allocated.line_id) == col(OrderLine.id))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(SalesOrder.customer_id) == order.customer_id, col(SalesOrder.id) != order.id)
        .where(col(SalesOrder.state).not_in((OrderState.DEPARTED, OrderState.CANCELLED)))
        .where(col(OrderLine.product_id).in_(sorted(product_ids)), col(Allocated.state).in_(LIVE))
        .group_by(col(OrderLine.product_id))
    )
    for product_id, before, after in session.execute(statement):
        found[product_id] = before, after
    return found


def cases_on(session: Session, unit_ids: Collection[int]) -> dict[int, int]:
    """Return the cases on each of these units, whoever they are for."""
    found = dict.fromkeys(unit_ids, 0)
    for ids in parts(unit_ids):
        rows = session.execute(
            select(col(UnitContent.unit_id), func.sum(col(UnitContent.cases)))
            .where(col(UnitContent.unit_id).in_(ids))
            .group_by(col(UnitContent.unit_id))
        )
        found.update((row[0], int(row[1])) for row in rows)
    return found


@dataclass(frozen=True, slots=True)
class Surplus:
    """Picked cases that nobody wants any more."""

    allocation_id: int
    content_id: int
    cases: int


def surplus_on(session: Session, unit_ids: Collection[int]) -> dict[int, list[Surplus]]:
    """Return what is still to be taken off each of these units."""
    found: dict[int, list[Surplus]] = {unit_id: [] for unit_id in unit_ids}
    for ids in parts(unit_ids):
        rows = session.execute(
            select(
                col(UnitContent.unit_id), col(Allocated.id), col(Allocated.content_id), col(Allocated.cases)
            )
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .where(col(UnitContent.unit_id).in_(ids), col(Allocated.state) == AllocationState.SURPLUS)
        )
        for unit_id, *facts in rows:
            found[unit_id].append(Surplus(*facts))
    return found


def emptied_lists(session: Session, list_ids: Collection[int]) -> list[int]:
    """Return those of the lists, not done yet, that have no pick left to do."""
    is_open = select(col(Pick.id)).where(
        col(Pick.list_id) == col(PickList.id), col(Pick.state) == PickState.OPEN
    )
    return list(
        session.scalars(
            select(col(PickList.id))
            .where(col(PickList.id).in_(sorted(list_ids)), col(PickList.state) != ListState.DONE)
            .where(~is_open.exists())
            .order_by(col(PickList.id))
        )
    )


@dataclass(frozen=True, slots=True)
class PutBackTask:
    """Picked cases nobody wants any more, and the unit they are to be taken off."""

    id: int
    order_id: int
    order_code: str
    line_no: int
    unit_id: int
    sscc: str
    unit_state: str
    zone_id: int
    content_id: int
    lot_code: str
    sku: str
    cases: int
    state: str


_PUT_BACKS: Select[*tuple[Any, ...]] = (
    select(
        col(Allocated.id).label("id"),
        col(SalesOrder.id).label("order_id"),
        col(SalesOrder.code).label("order_code"),
        col(OrderLine.line_no).label("line_no"),
        col(Unit.id).label("unit_id"),
        col(Unit.sscc).label("sscc"),
        col(Unit.state).label("unit_state"),
        col(Unit.zone_id).label("zone_id"),
        col(UnitContent.id).label("content_id"),
        col(Lot.code).label("lot_code"),
        col(Product.sku).label("sku"),
        col(Allocated.cases).label("cases"),
        col(Allocated.state).label("state"),
    )
    .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
    .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
    .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
    .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
    .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
    .join(Product, col(Product.id) == col(Lot.product_id))
)


def put_backs(site_id: int) -> Listing:
    """Return the statement for a site's open put-back tasks, and its order."""
    statement = _PUT_BACKS.where(
        col(Allocated.site_id) == site_id, col(Allocated.state) == AllocationState.SURPLUS
    )
    return statement, [col(Allocated.id)]


def put_back_task(session: Session, site_id: int, allocation_id: int) -> PutBackTask | None:
    """Return the allocation as a put-back task, whatever its state; None where the site has no such."""
    row = session.execute(
        _PUT_BACKS.where(col(Allocated.site_id) == site_id, col(Allocated.id) == allocation_id)
    ).one_or_none()
    return None if row is None else PutBackTask(*row)


def units_with_surplus(session: Session, unit_ids: Collection[int]) -> dict[int, int]:
    """Return the cases still to be taken off these units, by unit that has any."""
    found = surplus_on(session, unit_ids)
    return {unit_id: sum(one.cases for one in left) for unit_id, left in found.items() if left}
