"""What runs by itself."""

from datetime import datetime

import structlog
from sqlalchemy.orm import Session

from rimekeep.access.queries import all_sites
from rimekeep.errors import Conflict, Refused
from rimekeep.picking import queries, usecases
from rimekeep.platform.database import Database

log = structlog.get_logger("rimekeep.picking")


def return_leases(session: Session, now: datetime) -> None:
    """Put the lists of silent devices back."""
    usecases.return_leases(session, now)


def reallocate(database: Database, now: datetime) -> int:
    """
    Serve lines anew whose reserved stock stopped being good for them, at every site; return how many.

    Nearly always there are none, so it looks without a lock first.
    """
    with database.transaction(readonly=True) as session:
        found = {
            site.id: {one.line_id for one in queries.unfit_reservations(session, now, site.id)}
            for site in all_sites(session)
        }
    served = 0
    for site_id, line_ids in found.items():
        if not line_ids:
            continue
        try:
            with database.transaction() as session:
                served += len(usecases.reallocate(session, now, site_id, line_ids).lines)
        except (Conflict, Refused):
            # Stock was stopped or taken while this was planned; the next round plans without it.
            log.info("serving lines anew is tried again", site_id=site_id)
    return served


def fill_pick_bays(session: Session, now: datetime, site_id: int) -> None:
    """Make forklift tasks for pick bays that are low."""
    usecases.plan_replenishment(session, now, site_id)


def look_ahead(session: Session, now: datetime, site_id: int) -> None:
    """Tell of lots that will not sell in time."""
    usecases.tell_of_waste(session, now, site_id)
