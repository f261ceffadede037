"""Reads of what customers sent back after it was handed over."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.loading.tables import CustomerReturn, DeckPlace, Trip
from rimekeep.orders.tables import Customer, SalesOrder
from rimekeep.platform.database import Listing
from rimekeep.stock.tables import Lot, Unit


@dataclass(frozen=True, slots=True)
class ReturnView:
    """Cases of one lot that a customer sent back, with the words people know them by."""

    id: int
    customer_id: int
    customer: str
    order: str
    trip_id: int
    sscc: str
    returned_sscc: str
    lot_id: int
    lot: str
    cases: int
    reason: str
    returned_at: datetime
    recorded_at: datetime
    recorded_by: int


def newest_place(session: Session, site_id: int, unit_id: int) -> DeckPlace | None:
    """Return where a unit stood on the last trip it left with; None: it never left."""
    statement = (
        select(DeckPlace)
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .where(col(DeckPlace.site_id) == site_id, col(DeckPlace.unit_id) == unit_id)
        .where(col(Trip.departed_at).is_not(None))
        .order_by(col(Trip.departed_at).desc(), col(DeckPlace.id).desc())
        .limit(1)
        .execution_options(populate_existing=True)
    )
    return session.scalars(statement).first()


def returned_cases(session: Session, trip_id: int, unit_id: int) -> dict[int, tuple[str, int]]:
    """Return the code and cases of each lot that came back of a unit after a trip handed it over."""
    rows = session.execute(
        select(col(Lot.id), col(Lot.code), func.sum(col(CustomerReturn.cases)))
        .join(Lot, col(Lot.id) == col(CustomerReturn.lot_id))
        .where(col(CustomerReturn.unit_id) == unit_id, col(CustomerReturn.trip_id) == trip_id)
        .group_by(col(Lot.id), col(Lot.code))
    )
    return {row[0]: (row[1], int(row[2])) for row in rows}


def customer_returns(site_id: int, *, customer_id: int | None = None, lot_id: int | None = None) -> Listing:
    """Return the statement for what customers sent back, and its order."""
    statement = select(CustomerReturn).where(col(CustomerReturn.site_id) == site_id)
    if customer_id is not None:
        statement = statement.where(col(CustomerReturn.customer_id) == customer_id)
    if lot_id is not None:
        statement = statement.where(col(CustomerReturn.lot_id) == lot_id)
    return statement, [col(CustomerReturn.id)]


def return_views(session: Session, rows: Collection[CustomerReturn]) -> list[ReturnView]:
    """Return what came back as people see it, in the order of the ids."""
    given, back = aliased(Unit), aliased(Unit)
    found = session.execute(
        select(
            col(CustomerReturn.id),
            col(CustomerReturn.customer_id),
            col(Customer.code),
            col(SalesOrder.code),
            col(CustomerReturn.trip_id),
            col(given.sscc),
            col(back.sscc),
            col(CustomerReturn.lot_id),
            col(Lot.code),
            col(CustomerReturn.cases),
            col(CustomerReturn.reason),
            col(CustomerReturn.returned_at),
            col(CustomerReturn.recorded_at),
            col(CustomerReturn.recorded_by),
        )
        .join(Customer, col(Customer.id) == col(CustomerReturn.customer_id))
        .join(SalesOrder, col(SalesOrder.id) == col(CustomerReturn.order_id))
        .join(given, col(given.id) == col(CustomerReturn.unit_id))
        .join(back, col(back.id) == col(CustomerReturn.returned_unit_id))
        .join(Lot, col(Lot.id) == col(CustomerReturn.lot_id))
        .where(col(CustomerReturn.id).in_([row.id for row in rows]))
        .order_by(col(CustomerReturn.id))
    )
    return [ReturnView(*tuple[Any, ...](row)) for row in found]
