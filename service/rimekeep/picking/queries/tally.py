"""Sums over everything there is, to hold against what clients were told."""

from collections import Counter

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.picking.queries.allocations import LIVE
from rimekeep.picking.tables import Allocated, Pick
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.tables import Lot, UnitContent


def oversold_cases(session: Session, site_id: int) -> int:
    """Return the cases promised beyond those there are: on any unit, and of any lot beyond what was made."""
    over = session.scalar(
        select(func.sum(col(UnitContent.reserved_cases) - col(UnitContent.cases))).where(
            col(UnitContent.site_id) == site_id, col(UnitContent.reserved_cases) > col(UnitContent.cases)
        )
    )
    promised = session.execute(
        select(func.sum(col(Allocated.cases)), func.min(col(Lot.cases_made)))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(Allocated.site_id) == site_id, col(Allocated.state).in_(LIVE))
        .group_by(col(Lot.id))
    )
    return int(over or 0) + sum(max(0, int(cases) - int(made)) for cases, made in promised)


def cases_by_pick(session: Session, site_id: int) -> tuple[dict[int, int], Counter[int]]:
    """Return the cases picked by pick: as the picks say, and as the ledger's confirmations add up."""
    stored = session.execute(
        select(col(Pick.id), col(Pick.picked_cases)).where(
            col(Pick.site_id) == site_id, col(Pick.picked_cases) > 0
        )
    )
    events: Counter[int] = Counter()
    confirmed = select(col(LedgerEvent.data), col(LedgerEvent.cases)).where(
        col(LedgerEvent.site_id) == site_id, col(LedgerEvent.kind) == "pick.confirmed"
    )
    for data, cases in session.execute(confirmed):
        events[data["pick_id"]] += cases or 0
    return {row[0]: row[1] for row in stored}, events
