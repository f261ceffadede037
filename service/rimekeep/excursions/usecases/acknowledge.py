"""Somebody takes an excursion on."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.excursions import queries
from rimekeep.excursions.tables import Excursion
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say


def acknowledge(
    session: Session, now: datetime, caller: Caller, *, excursion_id: int, note: str = ""
) -> Excursion:
    """Put on record that somebody has seen an excursion and takes it on."""
    found = queries.excursion(session, caller.site_id, excursion_id, is_locked=True)
    if found.acknowledged_at is not None:
        raise Conflict(
            "acknowledged",
            say("Somebody has taken this on already."),
            data={"acknowledged_by": found.acknowledged_by, "at": found.acknowledged_at.isoformat()},
        )
    found.acknowledged_at = now
    found.acknowledged_by = caller.id
    session.flush()
    record(
        session,
        caller.site_id,
        Event("excursion.acknowledged", now, actor_id=caller.id, reason=note or None, data={"id": found.id}),
    )
    return found
