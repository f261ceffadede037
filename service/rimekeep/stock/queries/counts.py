"""What happened to cases since a moment: the ledger's word, which no later change touches."""

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.tables import UnitContent

_TAKEN = ("cases.picked", "cases.moved", "cases.put-back")


@dataclass(frozen=True, slots=True)
class Since:
    """Cases taken off each content since a moment, and the contents whose number was set by hand since."""

    taken: dict[int, int] = field(default_factory=dict)
    adjusted: frozenset[int] = frozenset()


def moved_since(session: Session, site_id: int, content_ids: Collection[int], at: datetime) -> Since:
    """Return what happened to contents after ``at``."""
    lots: set[int] = set()
    for some in parts(content_ids):
        lots |= set(session.scalars(select(col(UnitContent.lot_id)).where(col(UnitContent.id).in_(some))))
    taken: dict[int, int] = {}
    adjusted = set()
    for some in parts(lots):
        rows = session.execute(
            select(col(LedgerEvent.kind), col(LedgerEvent.cases), col(LedgerEvent.data))
            .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id).in_(some))
            .where(col(LedgerEvent.at) > at, col(LedgerEvent.kind).in_((*_TAKEN, "cases.adjusted")))
        )
        for kind, cases, data in rows:
            if kind == "cases.adjusted":
                adjusted.add(data["content_id"])
            elif data["from_content_id"] in content_ids:
                taken[data["from_content_id"]] = taken.get(data["from_content_id"], 0) + cases
    return Since(taken, frozenset(adjusted & set(content_ids)))
