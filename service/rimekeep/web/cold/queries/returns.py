"""What customers sent back: what QA still has to judge, and what of an order may yet come back."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.core.states import Fate
from rimekeep.loading.tables import CustomerReturn, DeckPlace, Trip
from rimekeep.orders.tables import Customer, SalesOrder
from rimekeep.stock.core.states import HERE, QaState, UnitState
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent, Zone

PAGE = 50
# An order has rarely more units; what is not shown is booked by scanning its label.
MOST_UNITS = 200


@dataclass(frozen=True, slots=True)
class ReturnRow:
    """Cases of one lot that came back, and how they stand now."""

    id: int
    returned_at: datetime
    customer_id: int
    customer: str
    order: str
    lot_id: int
    lot: str
    sku: str
    cases: int
    reason: str
    sscc: str
    qa_state: str
    unit_state: str
    zone: str | None

    @property
    def waits(self) -> bool:
        """Tell whether QA has not judged it yet."""
        return self.qa_state == QaState.HELD and self.unit_state in HERE


def returns_page(session: Session, site_id: int, *, is_all: bool, before_id: int | None) -> list[ReturnRow]:
    """Return what came back, the newest first, one more than a page has: what waits for QA, or all of it."""
    rows: Select[*tuple[Any, ...]] = (
        select(
            col(CustomerReturn.id),
            col(CustomerReturn.returned_at),
            col(CustomerReturn.customer_id),
            col(Customer.name),
            col(SalesOrder.code),
            col(CustomerReturn.lot_id),
            col(Lot.code),
            col(Product.sku),
            col(CustomerReturn.cases),
            col(CustomerReturn.reason),
            col(Unit.sscc),
            col(Unit.qa_state),
            col(Unit.state),
            col(Zone.name),
        )
        .join(Customer, col(Customer.id) == col(CustomerReturn.customer_id))
        .join(SalesOrder, col(SalesOrder.id) == col(CustomerReturn.order_id))
        .join(Lot, col(Lot.id) == col(CustomerReturn.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Unit, col(Unit.id) == col(CustomerReturn.returned_unit_id))
        .outerjoin(Zone, col(Zone.id) == col(Unit.zone_id))
        .where(col(CustomerReturn.site_id) == site_id)
        .order_by(col(CustomerReturn.id).desc())
        .limit(PAGE + 1)
    )
    if not is_all:
        rows = rows.where(col(Unit.qa_state) == QaState.HELD, col(Unit.state).in_(HERE))
    if before_id is not None:
        rows = rows.where(col(CustomerReturn.id) < before_id)
    return [ReturnRow(*tuple[Any, ...](row)) for row in session.execute(rows)]


@dataclass(frozen=True, slots=True)
class HandedOver:
    """A unit a customer was handed over, and what of it is still with them."""

    sscc: str
    customer_id: int
    customer: str
    order: str
    departed_on: date
    lots: tuple[tuple[str, str, int], ...]

    @property
    def cases(self) -> int:
        """Cases that may still come back."""
        return sum(cases for _, _, cases in self.lots)


def handed_over(session: Session, site_id: int, text: str) -> list[HandedOver]:
    """Return what was handed over of the order with this code, or of the unit with this SSCC."""
    rows: Select[*tuple[Any, ...]] = (
        select(
            col(Unit.sscc),
            col(Customer.id),
            col(Customer.name),
            col(SalesOrder.code),
            col(Trip.departed_at),
            col(Lot.code),
            col(Product.sku),
            col(UnitContent.cases),
        )
        .join(DeckPlace, col(DeckPlace.unit_id) == col(Unit.id))
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(Unit.site_id) == site_id, col(Unit.state) == UnitState.DEPARTED)
        .where(col(DeckPlace.fate) == Fate.DELIVERED, col(UnitContent.cases) > 0)
        .where((col(SalesOrder.code) == text) | (col(Unit.sscc) == text))
        .order_by(col(Unit.sscc), col(UnitContent.id))
        .limit(MOST_UNITS)
    )
    return _by_unit(session.execute(rows))


def _by_unit(rows: Iterable[Any]) -> list[HandedOver]:
    heads: dict[str, tuple[int, str, str, date]] = {}
    lots: dict[str, dict[tuple[str, str], int]] = {}
    for sscc, customer_id, customer, order, departed_at, lot, sku, cases in rows:
        heads[sscc] = (customer_id, customer, order, departed_at.date())
        here = lots.setdefault(sscc, {})
        here[lot, sku] = here.get((lot, sku), 0) + cases
    return [
        HandedOver(sscc, *head, tuple((lot, sku, cases) for (lot, sku), cases in lots[sscc].items()))
        for sscc, head in heads.items()
    ]
