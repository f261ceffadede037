"""Reads of the outbox, of subscriptions and of what was sent."""

from datetime import datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.alerts.tables import DeliveryAttempt, Subscription
from rimekeep.errors import missing
from rimekeep.platform.database import Listing
from rimekeep.platform.journal import OutboxMessage, SiteHead

# A statement and the columns it is paged by.


def subscription(session: Session, site_id: int, subscription_id: int) -> Subscription:
    """Return a subscription of the site."""
    found = session.get(Subscription, subscription_id)
    if found is None or found.site_id != site_id:
        raise missing("subscription", subscription_id)
    return found


def subscriptions(site_id: int) -> Listing:
    """Return the statement for a site's subscriptions, and its order."""
    return select(Subscription).where(col(Subscription.site_id) == site_id), [col(Subscription.id)]


def attempts(site_id: int, subscription_id: int, message_seq: int | None) -> Listing:
    """Return the statement for what was tried for a subscription, and its order."""
    statement = select(DeliveryAttempt).where(
        col(DeliveryAttempt.site_id) == site_id, col(DeliveryAttempt.subscription_id) == subscription_id
    )
    if message_seq is not None:
        statement = statement.where(col(DeliveryAttempt.outbox_seq) == message_seq)
    return statement, [col(DeliveryAttempt.id)]


def outbox(site_id: int, *, kind: str | None, after_seq: int) -> Listing:
    """Return the statement for a site's messages, and its order."""
    statement = select(OutboxMessage).where(
        col(OutboxMessage.site_id) == site_id, col(OutboxMessage.seq) > after_seq
    )
    if kind is not None:
        statement = statement.where(col(OutboxMessage.kind) == kind)
    return statement, [col(OutboxMessage.seq)]


def outbox_head(session: Session, site_id: int) -> int:
    """Return the number of the newest message; every number up to it is committed."""
    head = session.scalar(select(col(SiteHead.outbox_seq)).where(col(SiteHead.site_id) == site_id))
    return int(head or 0)


def messages_after(session: Session, site_id: int, seq: int, *, most: int) -> list[OutboxMessage]:
    """Return the messages that follow one, oldest first."""
    statement, order = outbox(site_id, kind=None, after_seq=seq)
    return list(session.scalars(statement.order_by(*order).limit(most)))


def due_subscriptions(session: Session, now: datetime) -> list[int]:
    """Return the subscriptions, of all sites, that have something to be sent at ``now``."""
    return list(
        session.scalars(
            select(col(Subscription.id))
            .join(SiteHead, col(SiteHead.site_id) == col(Subscription.site_id))
            .where(col(Subscription.is_active), col(Subscription.delivered_seq) < col(SiteHead.outbox_seq))
            .where(or_(col(Subscription.next_attempt_at).is_(None), col(Subscription.next_attempt_at) <= now))
            .order_by(col(Subscription.id))
        )
    )


def next_message(session: Session, subscribed: Subscription, *, up_to: int) -> OutboxMessage | None:
    """Return the next message a subscription wants, up to a number."""
    statement, order = outbox(subscribed.site_id, kind=None, after_seq=subscribed.delivered_seq)
    statement = statement.where(col(OutboxMessage.seq) <= up_to)
    if subscribed.kinds:
        statement = statement.where(col(OutboxMessage.kind).in_(subscribed.kinds))
    found: OutboxMessage | None = session.scalar(statement.order_by(*order).limit(1))
    return found
