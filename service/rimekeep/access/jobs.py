"""Jobs of access: old records."""

from datetime import datetime

import structlog
from sqlalchemy.orm import Session

from rimekeep.access import queries, usecases
from rimekeep.access.queries import records

log = structlog.get_logger("rimekeep.jobs")


def keep_records(session: Session, now: datetime, site_id: int) -> None:
    """Remove what is past its time and may be, and say what is past it and stays."""
    removed = usecases.remove_old_records(session, now, site_id)
    site = queries.site_of(session, site_id)
    past = [str(kept.record) for kept in records.records_kept(session, site, now) if kept.is_past]
    if removed or past:
        log.info("records kept", site_id=site_id, removed=removed, past_their_time=past)
