"""
Deliver messages: each at least once, to each receiver in order.

A delivery is three steps, so that no transaction is open while a receiver thinks: :func:`take_due` leases the
next message, the sender sends it, :func:`note_outcome` writes what became of it. A process that dies in
between leaves the lease to run out, and the message is sent again under the same id.

The order is that of announcement among what is due. What quiet hours or gathering hold back comes when it
is due, so what is grave overtakes it; nothing overtakes a message that is being tried again.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from http import HTTPStatus
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.alerts import queries
from rimekeep.alerts.core.duty import quiet_end, wall_time
from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.core.letters import MOST_LISTED, Purpose, Said, content
from rimekeep.alerts.core.schedule import MAX_ATTEMPTS, wait_after
from rimekeep.alerts.tables import DeliveryAttempt, Letter, Subscription
from rimekeep.platform.journal import Event, Notice, announce, record

# Longer than a sender may take (SEND_TIMEOUT_S), so that a message is not taken twice while it is sent.
LEASE = timedelta(seconds=60)
MAX_ERROR_LENGTH = 200


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message on its way to one receiver; ``secrets`` are those that sign it, newest first."""

    subscription_id: int
    site_id: int
    letter_id: int
    url: str
    secrets: tuple[str, ...]
    message_id: str
    said: dict[str, Any]
    site_code: str
    attempt: int

    @property
    def seq(self) -> int:
        """Return the number of its newest notice, 0 for a test."""
        return int(self.said["seq"])


@dataclass(frozen=True, slots=True)
class Outcome:
    """
    What the receiver answered.

    An HTTP status or a mail server's reply code, 0 for no answer; what went wrong in words; how long it
    took, and how long it asks to be left alone.
    """

    status: int
    error: str = ""
    duration_ms: int = 0
    retry_after_s: float | None = None

    @property
    def is_delivered(self) -> bool:
        """Tell whether the receiver took the message: any 2xx."""
        return 200 <= self.status < 300


def take_due(session: Session, now: datetime, subscription_id: int) -> Delivery | None:
    """Lease the next message of a receiver; None when there is none, or somebody else is at it."""
    taken = session.execute(
        update(Subscription)
        .where(col(Subscription.id) == subscription_id, queries.is_free(now))
        .values(leased_until=now + LEASE)
        .returning(Subscription)
        .execution_options(populate_existing=True)
    ).scalar_one_or_none()
    if taken is None:
        return None
    site = site_of(session, taken.site_id)
    letter = queries.next_letter(session, taken.id, now)
    if letter is not None and _waits(letter):
        quiet_until = _quiet_until(taken, now, ZoneInfo(site.time_zone))
        if quiet_until is not None:
            _put_off(session, taken.id, quiet_until)
            letter = queries.next_letter(session, taken.id, now)
    if letter is None:
        session.execute(
            update(Subscription).where(col(Subscription.id) == taken.id).values(leased_until=None)
        )
        return None
    return Delivery(
        subscription_id=taken.id,
        site_id=taken.site_id,
        letter_id=letter.id,
        url=taken.url,
        secrets=_secrets(taken, now),
        message_id=letter.message_id,
        said=_said(session, letter),
        site_code=site.code,
        attempt=taken.attempts + 1,
    )


def _secrets(taken: Subscription, now: datetime) -> tuple[str, ...]:
    is_both = taken.previous_secret and taken.previous_until and now < taken.previous_until
    return (taken.secret, taken.previous_secret) if is_both and taken.previous_secret else (taken.secret,)


def _waits(letter: Letter) -> bool:
    """Tell whether quiet hours hold a message back: not what is grave, asked for, or for who is on duty."""
    return letter.severity != Severity.CRITICAL and letter.purpose in (Purpose.FIRST, Purpose.GATHERED)


def _quiet_until(taken: Subscription, now: datetime, zone: ZoneInfo) -> datetime | None:
    if taken.quiet_from is None or taken.quiet_until is None:
        return None
    return quiet_end(now, wall_time(taken.quiet_from), wall_time(taken.quiet_until), zone)


def _put_off(session: Session, subscription_id: int, until: datetime) -> None:
    session.execute(
        update(Letter)
        .where(col(Letter.subscription_id) == subscription_id, col(Letter.delivered_at).is_(None))
        .where(col(Letter.due_at) < until, col(Letter.severity) != Severity.CRITICAL)
        .where(col(Letter.purpose).in_([Purpose.FIRST, Purpose.GATHERED]))
        .values(due_at=until)
        .execution_options(synchronize_session=False)
    )


def _said(session: Session, letter: Letter) -> dict[str, Any]:
    listed = queries.notices(session, letter.site_id, letter.seqs[-MOST_LISTED:])
    return content(
        Purpose(letter.purpose),
        letter.alert_id,
        Severity(letter.severity),
        letter.made_at,
        [Said(one.seq, one.kind, one.at, one.data) for one in listed],
        count=len(letter.seqs),
    )


def note_outcome(session: Session, now: datetime, sent: Delivery, outcome: Outcome) -> bool:
    """
    Write what became of a delivery; return whether the receiver may be sent its next message at once.

    A receiver that says it is gone (410), or that failed the whole schedule, is sent nothing more until
    somebody resumes it; that is announced, so that whoever else listens can see to it.
    """
    wait = (
        None
        if outcome.is_delivered
        else wait_after(
            sent.attempt,
            message_id=sent.message_id,
            subscription_id=sent.subscription_id,
            retry_after_s=outcome.retry_after_s,
        )
    )
    session.execute(
        insert(DeliveryAttempt).values(
            site_id=sent.site_id,
            subscription_id=sent.subscription_id,
            letter_id=sent.letter_id,
            outbox_seq=sent.seq,
            attempt=sent.attempt,
            at=now,
            duration_ms=outcome.duration_ms,
            status=outcome.status,
            error=outcome.error[:MAX_ERROR_LENGTH],
            next_attempt_at=None if wait is None else now + wait,
        )
    )
    if outcome.is_delivered:
        session.execute(
            update(Letter)
            .where(col(Letter.id) == sent.letter_id, col(Letter.delivered_at).is_(None))
            .values(delivered_at=now)
            .execution_options(synchronize_session=False)
        )
        _stand(session, sent, attempts=0, failing_since=None, next_attempt_at=None)
        return True
    is_gone = outcome.status == HTTPStatus.GONE
    if is_gone or wait is None:
        _suspend(
            session,
            now,
            sent,
            "the receiver says it is gone" if is_gone else f"{MAX_ATTEMPTS} attempts failed",
        )
        return False
    # Somebody else may have delivered it after this process's lease ran out.
    is_waiting = session.scalar(
        select(col(Letter.id)).where(col(Letter.id) == sent.letter_id, col(Letter.delivered_at).is_(None))
    )
    if is_waiting is not None:
        _stand(session, sent, attempts=sent.attempt, next_attempt_at=now + wait)
        session.execute(
            update(Subscription)
            .where(col(Subscription.id) == sent.subscription_id, col(Subscription.failing_since).is_(None))
            .values(failing_since=now)
        )
    return False


def _stand(session: Session, sent: Delivery, **facts: Any) -> None:
    session.execute(
        update(Subscription)
        .where(col(Subscription.id) == sent.subscription_id)
        .values(leased_until=None, **facts)
        .execution_options(synchronize_session=False)
    )


def _suspend(session: Session, now: datetime, sent: Delivery, reason: str) -> None:
    _stand(session, sent, is_active=False, attempts=0, next_attempt_at=None)
    data = {"id": sent.subscription_id, "undelivered_seq": sent.seq, "reason": reason}
    record(session, sent.site_id, Event("subscription.suspended", now, reason=reason, data=data))
    announce(session, sent.site_id, Notice("subscription.suspended", now, data))
