"""Tell what happened, and work off what partners sent, beside the requests."""

import time
from datetime import datetime

import structlog
from sqlalchemy.exc import SQLAlchemyError

from rimekeep.platform.database import Database
from rimekeep.tracing.epcis import queries, usecases

log = structlog.get_logger("rimekeep.jobs")

# A round ends after this long; the next one goes on.
ROUND_S = 20.0


def exchange(database: Database, now: datetime) -> None:
    """
    Tell in EPCIS what the ledgers have, then store what partners sent.

    It makes short transactions of its own. One process does it, so events are recorded one after the other.
    """
    begun = time.monotonic()
    with database.transaction(readonly=True) as session:
        sites, waiting = queries.sites_with_news(session), queries.waiting_captures(session)
    for capture_id in waiting:
        if time.monotonic() - begun < ROUND_S:
            _work_off(database, now, capture_id)
    for site_id in sites:
        while time.monotonic() - begun < ROUND_S and _tell(database, now, site_id):
            pass


def _tell(database: Database, now: datetime, site_id: int) -> bool:
    with database.transaction() as session:
        return usecases.tell(session, now, site_id)


def _work_off(database: Database, now: datetime, capture_id: int) -> None:
    with database.transaction() as session:
        if not usecases.begin_attempt(session, now, capture_id):
            return
    try:
        with database.transaction() as session:
            usecases.work_off(session, now, capture_id)
    except SQLAlchemyError:
        # The database may be away for a while; the document waits for the next round.
        log.exception("capture not stored", capture_id=capture_id)
    except Exception:
        log.exception("capture failed", capture_id=capture_id)
        with database.transaction() as session:
            usecases.give_up(session, now, capture_id)
