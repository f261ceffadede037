"""
Deliver the outbox: each message at least once, to each receiver in order.

A delivery is three steps, so that no transaction is open while a receiver thinks: :func:`take_due` leases the
next message, the sender sends it, :func:`note_outcome` writes what became of it. A process that dies in
between leaves the lease to run out, and the message is sent again under the same id.
"""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http import HTTPStatus

from sqlalchemy import insert, or_, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.alerts import queries
from rimekeep.alerts.core.schedule import MAX_ATTEMPTS, wait_before
from rimekeep.alerts.tables import DeliveryAttempt, Subscription
from rimekeep.platform.journal import Event, Notice, OutboxMessage, announce, record

# Longer than a sender may take (SEND_TIMEOUT_S), so that a message is not taken twice while it is sent.
LEASE = timedelta(seconds=60)
MAX_ERROR_LENGTH = 200


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message on its way to one receiver."""

    subscription_id: int
    site_id: int
    url: str
    secret: str
    seq: int
    message_id: str
    kind: str
    body: bytes
    attempt: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the receiver answered: an HTTP status, 0 for no answer, and what went wrong in words."""

    status: int
    error: str = ""

    @property
    def is_delivered(self) -> bool:
        """Tell whether the receiver took the message: any 2xx."""
        return 200 <= self.status < 300


def body_of(message: OutboxMessage) -> bytes:
    """Return what is sent for a message: type, timestamp and data, as the standard's payloads have them."""
    content = {
        "type": message.kind,
        "timestamp": message.at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "seq": message.seq,
        "data": message.data,
    }
    return json.dumps(content, separators=(",", ":"), ensure_ascii=False).encode()


def take_due(session: Session, now: datetime, subscription_id: int) -> Delivery | None:
    """Lease the next message of a subscription; None when there is none, or somebody else is at it."""
    taken = session.execute(
        update(Subscription)
        .where(col(Subscription.id) == subscription_id, col(Subscription.is_active))
        .where(or_(col(Subscription.next_attempt_at).is_(None), col(Subscription.next_attempt_at) <= now))
        .values(next_attempt_at=now + LEASE)
        .returning(Subscription)
    ).scalar_one_or_none()
    if taken is None:
        return None
    head = queries.outbox_head(session, taken.site_id)
    message = queries.next_message(session, taken, up_to=head)
    if message is None:
        _stand_at(session, taken.id, head)
        return None
    return Delivery(
        subscription_id=taken.id,
        site_id=taken.site_id,
        url=taken.url,
        secret=taken.secret,
        seq=message.seq,
        message_id=message.message_id,
        kind=message.kind,
        body=body_of(message),
        attempt=taken.attempts + 1,
    )


def _stand_at(session: Session, subscription_id: int, seq: int) -> None:
    session.execute(
        update(Subscription)
        .where(col(Subscription.id) == subscription_id, col(Subscription.delivered_seq) <= seq)
        .values(delivered_seq=seq, attempts=0, next_attempt_at=None)
    )


def note_outcome(session: Session, now: datetime, sent: Delivery, outcome: Outcome) -> bool:
    """
    Write what became of a delivery; return whether the receiver may be sent its next message at once.

    A receiver that says it is gone (410), or that failed the whole schedule, is sent nothing more until
    somebody resumes it; that is announced, so that whoever else listens can see to it.
    """
    session.execute(
        insert(DeliveryAttempt).values(
            site_id=sent.site_id,
            subscription_id=sent.subscription_id,
            outbox_seq=sent.seq,
            attempt=sent.attempt,
            at=now,
            status=outcome.status,
            error=outcome.error[:MAX_ERROR_LENGTH],
        )
    )
    if outcome.is_delivered:
        _stand_at(session, sent.subscription_id, sent.seq)
        return True
    wait = wait_before(sent.attempt + 1, message_id=sent.message_id, subscription_id=sent.subscription_id)
    is_gone = outcome.status == HTTPStatus.GONE
    if is_gone or wait is None:
        _suspend(
            session,
            now,
            sent,
            "the receiver says it is gone" if is_gone else f"{MAX_ATTEMPTS} attempts failed",
        )
        return False
    session.execute(
        update(Subscription)
        .where(col(Subscription.id) == sent.subscription_id, col(Subscription.delivered_seq) < sent.seq)
        .values(attempts=sent.attempt, next_attempt_at=now + wait)
    )
    return False


def _suspend(session: Session, now: datetime, sent: Delivery, reason: str) -> None:
    session.execute(
        update(Subscription)
        .where(col(Subscription.id) == sent.subscription_id)
        .values(is_active=False, attempts=0, next_attempt_at=None)
    )
    data = {"id": sent.subscription_id, "undelivered_seq": sent.seq, "reason": reason}
    record(session, sent.site_id, Event("subscription.suspended", now, reason=reason, data=data))
    announce(session, sent.site_id, Notice("subscription.suspended", now, data))
