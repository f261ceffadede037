"""Remove records whose time is over, where nothing rests on them, and say what was removed."""

from datetime import datetime
from typing import Any, cast

from sqlalchemy import CursorResult, delete
from sqlalchemy.orm import Session

from rimekeep.access import queries
from rimekeep.access.core.retention import Record, Rule
from rimekeep.access.queries import records
from rimekeep.access.tables import BrowserSession, Invitation
from rimekeep.platform.journal import Event, record

_OVER = {
    Record.SIGN_INS: (BrowserSession, records.sessions_over_before),
    Record.INVITATIONS: (Invitation, records.invitations_over_before),
}


def tell_removed(session: Session, now: datetime, site_id: int, rule: Rule, count: int) -> None:
    """Put on record how many records of a kind were removed, and by which rule."""
    data = {"record": str(rule.record), "count": count, "keep_days": rule.keep_days, "source": rule.source}
    record(session, site_id, Event("records.removed", now, data=data))


def remove_old_records(session: Session, now: datetime, site_id: int) -> dict[str, int]:
    """Remove what may be removed by the rules the site has chosen; return how many of each kind."""
    site, removed = queries.site_of(session, site_id), {}
    for kind, (table, over_before) in _OVER.items():
        rule = records.rule_for(site, kind)
        if rule is None:
            continue
        gone = session.execute(delete(table).where(over_before(site_id, rule.ends_before(now))))
        count = cast(CursorResult[Any], gone).rowcount
        if count:
            removed[str(kind)] = count
            tell_removed(session, now, site_id, rule, count)
    return removed
