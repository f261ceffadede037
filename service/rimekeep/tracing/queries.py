"""Reads of the ledger: what happened to a lot, and who got it."""

from collections.abc import Sequence

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import Listing
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.queries import lot
from rimekeep.stock.tables import Lot, Unit, UnitContent
from rimekeep.tracing.core.balance import Balance


def lot_balance(session: Session, site_id: int, found: Lot) -> Balance:
    """Return where a lot's cases are, counted from the units themselves and the ledger's adjustments."""
    has_left = col(Unit.state) == UnitState.DEPARTED
    at_site, departed = session.execute(
        select(
            func.coalesce(func.sum(case((has_left, 0), else_=col(UnitContent.cases))), 0),
            func.coalesce(func.sum(case((has_left, col(UnitContent.cases)), else_=0)), 0),
        )
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.lot_id) == found.id)
    ).one()
    adjusted = session.scalar(
        select(func.coalesce(func.sum(col(LedgerEvent.cases)), 0)).where(
            col(LedgerEvent.site_id) == site_id,
            col(LedgerEvent.lot_id) == found.id,
            col(LedgerEvent.kind) == "cases.adjusted",
        )
    )
    return Balance(found.cases_made, int(at_site), int(departed), int(adjusted or 0))


def departures(session: Session, site_id: int, lot_id: int) -> Sequence[LedgerEvent]:
    """Return every unit with cases of the lot that left, in order."""
    return session.scalars(
        select(LedgerEvent)
        .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id) == lot_id)
        .where(col(LedgerEvent.kind) == "unit.departed")
        .order_by(col(LedgerEvent.seq))
    ).all()


def arrivals_of(session: Session, site_id: int, lot_id: int) -> dict[tuple[int, int], LedgerEvent]:
    """Return how departures ended, by (unit, trip): delivered or taken back; only those told of."""
    rows = session.scalars(
        select(LedgerEvent)
        .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id) == lot_id)
        .where(col(LedgerEvent.kind).in_(("unit.delivered", "unit.taken-back")))
        .order_by(col(LedgerEvent.seq))
    )
    return {(row.unit_id, row.data.get("trip_id", 0)): row for row in rows if row.unit_id is not None}


def refused_of(session: Session, site_id: int, lot_id: int) -> dict[tuple[int, int], int]:
    """Return how many cases of what left were refused and rode back, by (unit, trip)."""
    rows = session.scalars(
        select(LedgerEvent)
        .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id) == lot_id)
        .where(col(LedgerEvent.kind) == "cases.refused")
    )
    found: dict[tuple[int, int], int] = {}
    for row in rows:
        key = (row.unit_id or 0, row.data.get("trip_id", 0))
        found[key] = found.get(key, 0) + (row.cases or 0)
    return found


def lot_events(session: Session, site_id: int, lot_id: int) -> Listing:
    """Return the statement for everything that happened to a lot, and its order."""
    lot(session, site_id, lot_id)
    statement = select(LedgerEvent).where(
        col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id) == lot_id
    )
    return statement, [col(LedgerEvent.seq)]
