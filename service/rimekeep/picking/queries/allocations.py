"""What is reserved for whom."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking.core.allocation import Reason
from rimekeep.picking.core.records import SHORT_PICK, SHORT_PICK_TEXT, OrderAllocation, ShortCases
from rimekeep.picking.core.states import AllocationState
from rimekeep.picking.tables import Allocated, ShortLine
from rimekeep.platform.database import parts
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent

# What serves a line; what keeps cases reserved.
LIVE = (AllocationState.RESERVED, AllocationState.PICKED)
HOLDING = (*LIVE, AllocationState.SURPLUS)


def served_by_line(
    session: Session, site_id: int, order_ids: Collection[int], *, without: Collection[int] = ()
) -> dict[int, tuple[int, frozenset[int]]]:
    """
    Return, for lines that have any, the cases reserved or picked and the lots they are of.

    Allocations in ``without`` do not count.
    """
    cases: dict[int, int] = {}
    lots: dict[int, set[int]] = {}
    for ids in parts(order_ids):
        statement = (
            select(col(Allocated.line_id), col(UnitContent.lot_id), func.sum(col(Allocated.cases)))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .where(col(Allocated.site_id) == site_id, col(OrderLine.order_id).in_(ids))
            .where(col(Allocated.state).in_(LIVE), col(Allocated.id).not_in(without))
            .group_by(col(Allocated.line_id), col(UnitContent.lot_id))
        )
        for line_id, lot_id, some in session.execute(statement):
            cases[line_id] = cases.get(line_id, 0) + int(some)
            lots.setdefault(line_id, set()).add(lot_id)
    return {line_id: (some, frozenset(lots[line_id])) for line_id, some in cases.items()}


@dataclass(frozen=True, slots=True)
class Promised:
    """
    The printed dates reserved for one customer, product and delivery day, and not yet delivered.

    ``oldest_picked_on`` is the oldest of those that are picked already, if any is.
    """

    customer_id: int
    product_id: int
    deliver_on: date
    oldest_on: date
    newest_on: date
    oldest_picked_on: date | None


def promised(session: Session, site_id: int, customer_ids: Collection[int]) -> list[Promised]:
    """Return the printed dates these customers are promised."""
    found: list[Promised] = []
    for ids in parts(customer_ids):
        statement: Select[*tuple[Any, ...]] = (
            select(
                col(SalesOrder.customer_id),
                col(OrderLine.product_id),
                col(SalesOrder.deliver_on),
                func.min(col(Lot.best_before_on)),
                func.max(col(Lot.best_before_on)),
                func.min(col(Lot.best_before_on)).filter(col(Allocated.state) == AllocationState.PICKED),
            )
            .join(OrderLine, col(OrderLine.order_id) == col(SalesOrder.id))
            .join(Allocated, col(Allocated.line_id) == col(OrderLine.id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.customer_id).in_(ids))
            .where(col(SalesOrder.state).not_in((OrderState.DEPARTED, OrderState.CANCELLED)))
            .where(col(Allocated.state).in_(LIVE))
            .group_by(col(SalesOrder.customer_id), col(OrderLine.product_id), col(SalesOrder.deliver_on))
        )
        found += [Promised(*row) for row in session.execute(statement)]
    return found


def mixed_units(session: Session, site_id: int) -> frozenset[int]:
    """Return the units in store that hold more than one content; they are never taken whole for one line."""
    return frozenset(
        session.scalars(
            select(col(UnitContent.unit_id))
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .where(col(UnitContent.site_id) == site_id, col(UnitContent.cases) > 0)
            .where(col(Unit.state) == UnitState.IN_STORE)
            .group_by(col(UnitContent.unit_id))
            .having(func.count() > 1)
        )
    )


def order_allocations(
    session: Session,
    site_id: int,
    order_ids: Collection[int],
    *,
    states: Collection[AllocationState] = LIVE,
) -> list[OrderAllocation]:
    """Return what serves these orders, by order line; units are those the cases are on now."""
    found: list[OrderAllocation] = []
    for ids in parts(order_ids):
        statement: Select[*tuple[Any, ...]] = (
            select(
                col(Allocated.id),
                col(Allocated.line_id),
                col(OrderLine.line_no),
                col(UnitContent.id),
                col(Unit.id),
                col(Unit.sscc),
                col(Unit.state),
                col(Unit.zone_id),
                col(Bay.code),
                col(Lot.id),
                col(Lot.code),
                col(Lot.best_before_on),
                col(Product.id),
                col(Product.sku),
                col(Allocated.cases),
                col(Allocated.how),
                col(Allocated.state),
            )
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .join(Product, col(Product.id) == col(Lot.product_id))
            .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
            .where(col(Allocated.site_id) == site_id, col(OrderLine.order_id).in_(ids))
            .where(col(Allocated.state).in_(states))
            .order_by(col(OrderLine.order_id), col(OrderLine.line_no), col(Allocated.id))
        )
        found += [OrderAllocation(*row) for row in session.execute(statement)]
    return found


def shorts_told(session: Session, site_id: int, order_ids: Collection[int]) -> dict[int, ShortCases]:
    """Return what is short of these orders' lines and why, by line."""
    found: dict[int, ShortCases] = {}
    for ids in parts(order_ids):
        statement = (
            select(col(ShortLine.line_id), col(ShortLine.cases), col(ShortLine.reason))
            .join(OrderLine, col(OrderLine.id) == col(ShortLine.line_id))
            .where(col(ShortLine.site_id) == site_id, col(OrderLine.order_id).in_(ids))
        )
        for line_id, cases, reason in session.execute(statement):
            found[line_id] = ShortCases(cases, reason, short_text(reason))
    return found


def short_text(reason: str) -> str:
    """Return the plain words of a reason that was stored."""
    return SHORT_PICK_TEXT if reason == SHORT_PICK else Reason(reason).text
