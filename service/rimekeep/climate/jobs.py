"""What runs by itself for the readings: months made ahead, old readings thinned."""

import time
from collections.abc import Callable
from datetime import datetime

import structlog
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from rimekeep.access.queries import all_sites
from rimekeep.climate import usecases
from rimekeep.platform.database import Database

log = structlog.get_logger("rimekeep.jobs")
# A site's turn ends after this long, so that the first thinning of years holds up no other job for good. [s]
ROUND_S = 20.0


def prepare_months(session: Session, now: datetime) -> None:
    """Make the months of readings that are coming up."""
    usecases.prepare_months(session, now)


def retain(
    database: Database, now: datetime, *, needed_from: Callable[[Session, int, datetime], datetime]
) -> None:
    """
    Thin every site's old readings, in short transactions of its own, and drop what nobody needs any more.

    ``needed_from`` is asked, for a site, from when on the features above still need its readings one by one.
    """
    keep_days = database.settings.raw_readings_days
    if keep_days == 0:
        return
    with database.transaction(readonly=True) as session:
        site_ids = [site.id for site in all_sites(session)]
    for site_id in site_ids:
        try:
            _thin(database, now, site_id, keep_days, needed_from)
        except Exception:
            log.exception("job failed at a site", job="thin old readings", site_id=site_id)
    try:
        with database.transaction() as session:
            usecases.drop_thinned_months(session)
    except OperationalError:
        # Somebody reads at length; the next round tries again.
        log.info("months of readings were in use and are dropped later")


def _thin(
    database: Database,
    now: datetime,
    site_id: int,
    keep_days: int,
    needed_from: Callable[[Session, int, datetime], datetime],
) -> None:
    begun = time.monotonic()
    done: datetime | None = now
    while done is not None and time.monotonic() - begun < ROUND_S:
        with database.transaction() as session:
            not_after = needed_from(session, site_id, now)
            done = usecases.thin_readings(session, now, site_id, keep_days=keep_days, not_after=not_after)
