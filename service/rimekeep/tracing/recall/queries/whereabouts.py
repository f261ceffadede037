"""
Where cases are and whom they went to, by lot or by single contents: one statement a few thousand of them.

A content's row says of which lot its cases are, on whatever unit they stand by now. So cases that were mixed,
packed anew, refused or taken back are found by where they are, to the case.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from sqlalchemy import Select, case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.core.states import Fate
from rimekeep.loading.tables import CustomerReturn, DeckPlace, Trip, Vehicle
from rimekeep.orders.tables import CustomerDrop, SalesOrder
from rimekeep.platform.database import parts
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.core.states import HERE, UnitState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent, Zone
from rimekeep.tracing.recall.core.records import Delivery, Source, Stopped
from rimekeep.tracing.recall.core.states import Place


def deliveries(session: Session, site_id: int, source: Source) -> list[Delivery]:
    """
    Return what customers have, or have on the way, by customer and time.

    What a customer refused, and what came back with the truck, is not among it.
    """
    has_it = (col(DeckPlace.fate) == Fate.DELIVERED) | (
        col(DeckPlace.fate).is_(None) & col(DeckPlace.off_at).is_(None)
    )
    statement = (
        select(
            col(SalesOrder.customer_id),
            col(CustomerDrop.code),
            col(CustomerDrop.name),
            col(CustomerDrop.address),
            col(CustomerDrop.contact),
            col(SalesOrder.id),
            col(SalesOrder.code),
            col(SalesOrder.external_reference),
            col(SalesOrder.deliver_on),
            col(Trip.id),
            col(Vehicle.code),
            col(DeckPlace.drop_no),
            col(Trip.departed_at),
            col(DeckPlace.off_at),
            col(Unit.id),
            col(Unit.sscc),
            col(Lot.id),
            col(Lot.code),
            col(Lot.best_before_on),
            col(Product.sku),
            col(Product.name),
            col(UnitContent.id),
            col(UnitContent.cases),
        )
        .select_from(UnitContent)
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(DeckPlace, col(DeckPlace.unit_id) == col(Unit.id))
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .join(Vehicle, col(Vehicle.id) == col(Trip.vehicle_id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .outerjoin(CustomerDrop, col(CustomerDrop.id) == col(SalesOrder.drop_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.cases) > 0)
        .where(col(Unit.state) == UnitState.DEPARTED, col(Trip.departed_at).is_not(None), has_it)
    )
    found = [Delivery(*row) for row in _rows(session, statement, source)]
    found.sort(key=lambda one: (one.customer_id, one.departed_at, one.drop_no, one.sscc, one.content_id))
    return found


def stopped(session: Session, site_id: int, source: Source) -> list[Stopped]:
    """Return what no customer has: here, on a truck that has not left, or riding back after a refusal."""
    rides = (
        (col(DeckPlace.unit_id) == col(Unit.id))
        & col(DeckPlace.loaded_at).is_not(None)
        & col(DeckPlace.off_at).is_(None)
    )
    statement = (
        select(
            col(Unit.state),
            col(Unit.id),
            col(Unit.sscc),
            col(Zone.code),
            col(Bay.code),
            col(Lot.id),
            col(Lot.code),
            col(UnitContent.cases),
            col(UnitContent.reserved_cases),
            col(Trip.id),
            col(Vehicle.code),
        )
        .select_from(UnitContent)
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Zone, col(Zone.id) == col(Unit.zone_id))
        .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
        .outerjoin(DeckPlace, rides)
        .outerjoin(Trip, (col(Trip.id) == col(DeckPlace.trip_id)) & col(Trip.ended_at).is_(None))
        .outerjoin(Vehicle, col(Vehicle.id) == col(Trip.vehicle_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.cases) > 0)
        .where(
            col(Unit.state).in_(HERE)
            | ((col(Unit.state) == UnitState.DEPARTED) & (col(DeckPlace.fate) == Fate.REFUSED))
        )
    )
    found = [Stopped(_place(row[0], row[8]), *row[1:]) for row in _rows(session, statement, source)]
    found.sort(key=lambda one: (one.place, one.zone, one.bay or "", one.sscc, one.lot_id))
    return found


def cases_in(session: Session, site_id: int, source: Source) -> tuple[int, int]:
    """Return how many cases were made (of single contents: are on them), and the sum of all adjustments."""
    made = adjusted = 0
    if source.content_ids is not None:
        for some in parts(source.content_ids):
            there = select(func.coalesce(func.sum(col(UnitContent.cases)), 0)).where(
                col(UnitContent.site_id) == site_id, col(UnitContent.id).in_(some)
            )
            made += int(session.scalar(there) or 0)
        return made, 0
    for some in parts(source.lot_ids):
        of_lots = select(func.coalesce(func.sum(col(Lot.cases_made)), 0)).where(col(Lot.id).in_(some))
        made += int(session.scalar(of_lots) or 0)
        # An adjustment says what changed, a destruction how many are gone.
        change = case(
            (col(LedgerEvent.kind) == "cases.destroyed", -col(LedgerEvent.cases)),
            else_=col(LedgerEvent.cases),
        )
        told = select(func.coalesce(func.sum(change), 0)).where(
            col(LedgerEvent.site_id) == site_id,
            col(LedgerEvent.lot_id).in_(some),
            col(LedgerEvent.kind).in_(("cases.adjusted", "cases.destroyed")),
        )
        adjusted += int(session.scalar(told) or 0)
    return made, adjusted


def returned_between(
    session: Session, site_id: int, source: Source, from_at: datetime, until_at: datetime
) -> dict[int, int]:
    """Return the cases each customer sent back that were put into the store in a time, by customer."""
    found: dict[int, int] = {}
    statement = (
        select(col(CustomerReturn.customer_id), func.sum(col(CustomerReturn.cases)))
        .where(col(CustomerReturn.site_id) == site_id)
        .where(col(CustomerReturn.recorded_at) >= from_at, col(CustomerReturn.recorded_at) <= until_at)
        .group_by(col(CustomerReturn.customer_id))
    )
    is_of_lots = source.content_ids is None
    column = col(CustomerReturn.lot_id) if is_of_lots else col(CustomerReturn.content_id)
    for some in parts(source.lot_ids if is_of_lots else source.content_ids):
        for customer_id, cases in session.execute(statement.where(column.in_(some))):
            found[customer_id] = found.get(customer_id, 0) + int(cases)
    return found


def _place(state: str, reserved_cases: int) -> Place:
    if state == UnitState.DEPARTED:
        return Place.ON_THE_ROAD
    if state == UnitState.LOADED:
        return Place.LOADED
    if state == UnitState.PICKED:
        return Place.PICKED
    return Place.RESERVED if reserved_cases else Place.FREE


def _rows(session: Session, statement: Select[*tuple[Any, ...]], source: Source) -> Iterator[Any]:
    is_of_lots = source.content_ids is None
    column = col(UnitContent.lot_id) if is_of_lots else col(UnitContent.id)
    for some in parts(source.lot_ids if is_of_lots else source.content_ids):
        yield from session.execute(statement.where(column.in_(some)))
