"""The events that tell where cases went: those of a lot, or of units and of what they were filled from."""

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.loading.tables import DeckPlace, Trip
from rimekeep.orders.tables import SalesOrder
from rimekeep.platform.database import parts
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.tables import Lot, Unit, UnitContent
from rimekeep.tracing.core import flows, walk
from rimekeep.tracing.core.flows import TRANSFERS, Fact

_KINDS = sorted({*flows.KINDS, *walk.KINDS})
_EVENTS = SQLModel.metadata.tables["ledger_event"]
_COLUMNS = [
    _EVENTS.c[name]
    for name in ("seq", "kind", "at", "actor_id", "lot_id", "unit_id", "cases", "reason", "data")
]


def lot_facts(session: Session, site_id: int, lot_id: int) -> list[Fact]:
    """Return the events that moved cases of a lot, in order."""
    return _facts(session, site_id, col(LedgerEvent.lot_id) == lot_id)


def unit_facts(session: Session, site_id: int, unit_ids: Collection[int]) -> list[Fact]:
    """
    Return the events that moved cases onto units and off the site, in order.

    Read too are those of every unit that cases on them were taken off, and of those before, to the ones
    that came in; the ledger itself says which.
    """
    found: dict[int, Fact] = {}
    known: set[int] = set()
    waiting = set(unit_ids)
    while waiting:
        known |= waiting
        for some in parts(waiting):
            for fact in _facts(session, site_id, col(LedgerEvent.unit_id).in_(some)):
                found[fact.seq] = fact
        waiting = {
            int(fact.data["from_unit_id"]) for fact in found.values() if fact.kind in TRANSFERS
        } - known
    return [found[seq] for seq in sorted(found)]


def _facts(session: Session, site_id: int, which: ColumnElement[bool]) -> list[Fact]:
    rows = session.execute(
        select(*_COLUMNS)
        .where(col(LedgerEvent.site_id) == site_id, which)
        .where(col(LedgerEvent.kind).in_(_KINDS))
    )
    # Put in order here: asked for it in order, SQLite reads all of the ledger to be spared the sorting.
    facts = sorted((Fact(*values) for values in map(tuple, rows)), key=lambda fact: fact.seq)
    return _told_alike(session, site_id, facts)


def _told_alike(session: Session, site_id: int, facts: list[Fact]) -> list[Fact]:
    """Make refusals of older versions, which named the unit the cases were taken off, as those of today."""
    old = [fact for fact in facts if fact.kind == "cases.refused" and "from_unit_id" not in fact.data]
    if not old:
        return facts
    ids: dict[str, int] = {}
    for some in parts({str(fact.data["sscc"]) for fact in old}):
        rows = session.execute(
            select(col(Unit.sscc), col(Unit.id)).where(col(Unit.site_id) == site_id, col(Unit.sscc).in_(some))
        )
        ids |= {row[0]: row[1] for row in rows}
    made = {
        fact.seq: replace(
            fact,
            unit_id=ids.get(str(fact.data["sscc"]), 0),
            data={**fact.data, "from_unit_id": fact.unit_id},
        )
        for fact in old
    }
    return [made.get(fact.seq, fact) for fact in facts]


def family(session: Session, unit_ids: Collection[int]) -> set[int]:
    """Return units and all onto which cases taken off them were put, directly or in several steps."""
    found: set[int] = set(unit_ids)
    waiting: set[int] = set()
    for some in parts(unit_ids):
        on_them = select(col(UnitContent.id)).where(col(UnitContent.unit_id).in_(some))
        waiting |= set(session.scalars(on_them))
    while waiting:
        children: set[int] = set()
        for some in parts(waiting):
            rows = session.execute(
                select(col(UnitContent.id), col(UnitContent.unit_id)).where(
                    col(UnitContent.parent_id).in_(some)
                )
            )
            for content_id, unit_id in rows:
                children.add(content_id)
                found.add(unit_id)
        waiting = children
    return found


def sent_to(
    session: Session,
    site_id: int,
    customer_id: int,
    *,
    from_at: datetime | None = None,
    until_at: datetime | None = None,
) -> list[int]:
    """Return the units that left for a customer, all or those of trips that departed in a time."""
    asked = (
        select(col(DeckPlace.unit_id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.customer_id) == customer_id)
        .where(col(Trip.departed_at).is_not(None))
    )
    if from_at is not None:
        asked = asked.where(col(Trip.departed_at) >= from_at)
    if until_at is not None:
        asked = asked.where(col(Trip.departed_at) < until_at)
    return sorted(set(session.scalars(asked)))


def lot_codes(session: Session, site_id: int, lot_ids: Iterable[int]) -> dict[int, str]:
    """Return the codes of lots."""
    found: dict[int, str] = {}
    for some in parts(set(lot_ids)):
        rows = session.execute(
            select(col(Lot.id), col(Lot.code)).where(col(Lot.site_id) == site_id, col(Lot.id).in_(some))
        )
        found |= {row[0]: row[1] for row in rows}
    return found
