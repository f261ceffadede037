"""Reads of the ledger: what happened to a lot, who got it, and where what somebody got came from."""

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import Listing
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.queries import lot
from rimekeep.tracing.queries.balances import lot_balance, lot_partings, lots_that_disagree
from rimekeep.tracing.queries.facts import family, lot_codes, lot_facts, sent_to, unit_facts

__all__ = [
    "family",
    "lot_balance",
    "lot_codes",
    "lot_events",
    "lot_facts",
    "lot_partings",
    "lots_that_disagree",
    "sent_to",
    "unit_facts",
]


def lot_events(session: Session, site_id: int, lot_id: int) -> Listing:
    """Return the statement for everything that happened to a lot, and its order."""
    lot(session, site_id, lot_id)
    statement = select(LedgerEvent).where(
        col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id) == lot_id
    )
    return statement, [col(LedgerEvent.seq)]
