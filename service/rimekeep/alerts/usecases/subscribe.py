"""Who wants to be told, and where."""

import secrets
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.alerts import queries
from rimekeep.alerts.core.signing import new_secret
from rimekeep.alerts.core.targets import target_of
from rimekeep.alerts.tables import Subscription
from rimekeep.platform.journal import Event, record


def add_subscription(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    url: str,
    kinds: Sequence[str],
    is_private_allowed: bool,
) -> Subscription:
    """
    Subscribe a receiver to everything announced from now on.

    The secret its messages are signed with is in the row; it is shown once and never again.
    """
    target = target_of(url, is_private_allowed=is_private_allowed)
    added = Subscription(
        site_id=caller.site_id,
        url=url,
        secret=new_secret(secrets.token_bytes(32)),
        kinds=sorted(set(kinds)),
        delivered_seq=queries.outbox_head(session, caller.site_id),
    )
    session.add(added)
    session.flush()
    # A path may hold a password of the receiver's own, so the ledger keeps the host only.
    data = {"id": added.id, "host": target.host, "kinds": added.kinds}
    record(session, caller.site_id, Event("subscription.added", now, actor_id=caller.id, data=data))
    return added


def deactivate_subscription(
    session: Session, now: datetime, caller: Caller, subscription_id: int
) -> Subscription:
    """Send a receiver nothing more; repeated, it changes nothing."""
    found = queries.subscription(session, caller.site_id, subscription_id)
    if found.is_active:
        found.is_active = False
        record(
            session,
            caller.site_id,
            Event("subscription.deactivated", now, actor_id=caller.id, data={"id": found.id}),
        )
    return found


def resume_subscription(
    session: Session, now: datetime, caller: Caller, subscription_id: int
) -> Subscription:
    """Go on where a receiver's deliveries stopped, at once; nothing announced in between is lost."""
    found = queries.subscription(session, caller.site_id, subscription_id)
    found.is_active = True
    found.attempts = 0
    found.next_attempt_at = None
    record(
        session, caller.site_id, Event("subscription.resumed", now, actor_id=caller.id, data={"id": found.id})
    )
    return found
