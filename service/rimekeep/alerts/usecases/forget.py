"""Forget messages that were delivered long ago, and what was tried to deliver them."""

from datetime import datetime
from typing import Any, cast

from sqlalchemy import CursorResult, delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.retention import Record
from rimekeep.access.queries import site_of
from rimekeep.access.queries.records import rule_for
from rimekeep.access.usecases import tell_removed
from rimekeep.alerts.tables import DeliveryAttempt, Letter


def forget_letters(session: Session, now: datetime, site_id: int) -> int:
    """
    Remove what receivers took before the time the site's rule states; return how many messages.

    What waits for a receiver is kept however old it is. Without a rule nothing is removed.
    """
    rule = rule_for(site_of(session, site_id), Record.LETTERS)
    if rule is None:
        return 0
    ends_at = rule.ends_before(now)
    over = (col(Letter.site_id) == site_id) & (col(Letter.delivered_at) < ends_at)
    of_them = col(DeliveryAttempt.letter_id).in_(select(col(Letter.id)).where(over))
    is_old = col(DeliveryAttempt.at) < ends_at
    tried = delete(DeliveryAttempt).where(col(DeliveryAttempt.site_id) == site_id, is_old | of_them)
    session.execute(tried.execution_options(synchronize_session=False))
    gone = session.execute(delete(Letter).where(over).execution_options(synchronize_session=False))
    count = cast(CursorResult[Any], gone).rowcount
    if count:
        tell_removed(session, now, site_id, rule, count)
    return count
