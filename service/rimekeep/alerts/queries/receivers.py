"""Reads of receivers and of what was sent to them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.alerts.core.kinds import Severity, Wanted
from rimekeep.alerts.tables import DeliveryAttempt, Letter, Subscription
from rimekeep.errors import missing
from rimekeep.platform.database import Listing


def subscription(
    session: Session, site_id: int, subscription_id: int, *, is_locked: bool = False
) -> Subscription:
    """Return a subscription of the site."""
    found = session.get(
        Subscription, subscription_id, with_for_update=is_locked or None, populate_existing=is_locked
    )
    if found is None or found.site_id != site_id:
        raise missing("subscription", subscription_id)
    return found


def subscriptions(site_id: int) -> Listing:
    """Return the statement for a site's subscriptions, and its order."""
    return select(Subscription).where(col(Subscription.site_id) == site_id), [col(Subscription.id)]


def attempts(
    site_id: int, subscription_id: int, *, message_seq: int | None, letter_id: int | None
) -> Listing:
    """Return the statement for what was tried for a subscription, and its order."""
    statement = select(DeliveryAttempt).where(
        col(DeliveryAttempt.site_id) == site_id, col(DeliveryAttempt.subscription_id) == subscription_id
    )
    if message_seq is not None:
        statement = statement.where(col(DeliveryAttempt.outbox_seq) == message_seq)
    if letter_id is not None:
        statement = statement.where(col(DeliveryAttempt.letter_id) == letter_id)
    return statement, [col(DeliveryAttempt.id)]


def letters(site_id: int, subscription_id: int, *, is_waiting: bool | None) -> Listing:
    """Return the statement for the messages to a subscription, and its order."""
    statement = select(Letter).where(
        col(Letter.site_id) == site_id, col(Letter.subscription_id) == subscription_id
    )
    if is_waiting is not None:
        undelivered = col(Letter.delivered_at).is_(None)
        statement = statement.where(undelivered if is_waiting else ~undelivered)
    return statement, [col(Letter.id)]


def wanted_by(subscribed: Subscription) -> Wanted:
    """Return what a receiver wants to hear of."""
    return Wanted(
        frozenset(subscribed.kinds), frozenset(subscribed.zone_ids), Severity(subscribed.least_severity)
    )


def is_free(now: datetime) -> ColumnElement[bool]:
    """Return the condition that a receiver may be sent something at ``now``."""
    return and_(
        col(Subscription.is_active),
        or_(col(Subscription.next_attempt_at).is_(None), col(Subscription.next_attempt_at) <= now),
        or_(col(Subscription.leased_until).is_(None), col(Subscription.leased_until) <= now),
    )


def due_subscriptions(session: Session, now: datetime) -> list[tuple[int, bool]]:
    """Return the receivers, of all sites, that have something due, and whether they failed the last time."""
    waiting = (
        select(col(Letter.id))
        .where(col(Letter.subscription_id) == col(Subscription.id), col(Letter.delivered_at).is_(None))
        .where(col(Letter.due_at) <= now)
        .exists()
    )
    rows = session.execute(
        select(col(Subscription.id), col(Subscription.attempts) > 0)
        .where(is_free(now), waiting)
        .order_by(col(Subscription.id))
    )
    return [(row[0], bool(row[1])) for row in rows]


def next_letter(session: Session, subscription_id: int, now: datetime) -> Letter | None:
    """Return the oldest message that is due to a receiver."""
    found: Letter | None = session.scalar(
        select(Letter)
        .where(col(Letter.subscription_id) == subscription_id, col(Letter.delivered_at).is_(None))
        .where(col(Letter.due_at) <= now)
        .order_by(col(Letter.id))
        .limit(1)
    )
    return found


def subscriptions_behind(session: Session, site_id: int, seq: int) -> list[Subscription]:
    """Return the receivers of a site for whom notices up to a number are not written yet."""
    return list(
        session.scalars(
            select(Subscription)
            .where(col(Subscription.site_id) == site_id, col(Subscription.is_active))
            .where(col(Subscription.sorted_seq) < seq)
            .order_by(col(Subscription.id))
        )
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """How the deliveries to a receiver stand."""

    waiting: int
    # The last attempt, if deliveries fail or are stopped and there was one.
    last: DeliveryAttempt | None = None


def standings(session: Session, found: Sequence[Subscription]) -> dict[int, Standing]:
    """Return how deliveries stand, of several receivers at once."""
    waiting = {
        row[0]: row[1]
        for row in session.execute(
            select(col(Letter.subscription_id), func.count())
            .where(
                col(Letter.subscription_id).in_([one.id for one in found]), col(Letter.delivered_at).is_(None)
            )
            .group_by(col(Letter.subscription_id))
        )
    }
    troubled = [one.id for one in found if not one.is_active or one.failing_since is not None]
    newest = (
        select(func.max(col(DeliveryAttempt.id)))
        .where(col(DeliveryAttempt.subscription_id).in_(troubled))
        .group_by(col(DeliveryAttempt.subscription_id))
    )
    last = {
        one.subscription_id: one
        for one in session.scalars(select(DeliveryAttempt).where(col(DeliveryAttempt.id).in_(newest)))
    }
    return {one.id: Standing(waiting.get(one.id, 0), last.get(one.id)) for one in found}


def newest_attempts(
    session: Session, site_id: int, subscription_id: int, *, before_id: int | None, most: int
) -> list[tuple[DeliveryAttempt, Letter | None]]:
    """Return attempts and the messages they were for, the newest first."""
    asked = (
        select(DeliveryAttempt, Letter)
        .outerjoin(Letter, col(Letter.id) == col(DeliveryAttempt.letter_id))
        .where(
            col(DeliveryAttempt.site_id) == site_id, col(DeliveryAttempt.subscription_id) == subscription_id
        )
    )
    if before_id is not None:
        asked = asked.where(col(DeliveryAttempt.id) < before_id)
    rows = session.execute(asked.order_by(col(DeliveryAttempt.id).desc()).limit(most))
    return [(row[0], row[1]) for row in rows]
