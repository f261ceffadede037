"""What lots and units were when they came: the ledger's word, since the rows have moved on."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.core.states import QaState


@dataclass(frozen=True, slots=True)
class Arrival:
    """Cases of one lot as they came in on a unit."""

    unit_id: int
    lot_id: int
    cases: int
    zone_id: int
    bay_id: int | None


def lots_as_registered(session: Session, site_id: int, lot_ids: Collection[int]) -> dict[int, dict[str, Any]]:
    """Return ``cases_made`` and ``released`` of lots as they were registered."""
    found: dict[int, dict[str, Any]] = {}
    for some in parts(lot_ids):
        rows = session.execute(
            select(col(LedgerEvent.lot_id), col(LedgerEvent.cases), col(LedgerEvent.data)).where(
                col(LedgerEvent.site_id) == site_id,
                col(LedgerEvent.lot_id).in_(some),
                col(LedgerEvent.kind) == "lot.registered",
            )
        )
        for lot_id, cases, data in rows:
            if lot_id is not None:
                found[lot_id] = {"cases_made": cases, "released": data["qa_state"] == QaState.RELEASED}
    return found


def arrivals(session: Session, site_id: int, unit_ids: Collection[int]) -> list[Arrival]:
    """Return what was on units when they were received, and where they were put."""
    found: list[Arrival] = []
    for some in parts(unit_ids):
        rows = session.execute(
            select(
                col(LedgerEvent.unit_id),
                col(LedgerEvent.lot_id),
                col(LedgerEvent.cases),
                col(LedgerEvent.data),
            ).where(
                col(LedgerEvent.site_id) == site_id,
                col(LedgerEvent.unit_id).in_(some),
                col(LedgerEvent.kind) == "unit.received",
            )
        )
        for unit_id, lot_id, cases, data in rows:
            if unit_id is not None and lot_id is not None and cases is not None:
                found.append(Arrival(unit_id, lot_id, cases, data["zone_id"], data["bay_id"]))
    return found
