"""Note that a customer was told, and what they answered; nothing noted is changed or taken away."""

from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import invalid, missing
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock.usecases.units import require_past
from rimekeep.tracing.recall import queries
from rimekeep.tracing.recall.core.reconcile import Answer
from rimekeep.tracing.recall.core.records import CustomerPart
from rimekeep.tracing.recall.tables import Recall, RecallAnswer, RecallNotification
from rimekeep.tracing.recall.usecases.start import require_running
from rimekeep.wording import say


def notify(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    recall_id: int,
    customer_id: int,
    how: str,
    to_whom: str,
    at: datetime | None = None,
    note: str = "",
) -> Recall:
    """Note that a customer was told, how and whom."""
    row, part = _part(session, now, caller, recall_id, customer_id)
    told_at = _checked(row, now, at)
    session.add(
        RecallNotification(
            site_id=row.site_id, recall_id=row.id, customer_id=customer_id, at=told_at, how=how,
            to_whom=to_whom, note=note, recorded_at=now, recorded_by=caller.id,
        )
    )  # fmt: skip
    session.flush()
    data = {
        "id": row.id,
        "customer_id": customer_id,
        "customer": part.customer.code,
        "how": how,
        "at": told_at.isoformat(),
    }
    record(session, row.site_id, Event("recall.customer-notified", now, actor_id=caller.id, data=data))
    return row


def answer(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    recall_id: int,
    customer_id: int,
    answer: Answer,
    at: datetime | None = None,
    note: str = "",
) -> Recall:
    """Note what a customer says became of their cases; the newest answer counts, all stay on record."""
    row, part = _part(session, now, caller, recall_id, customer_id)
    received_at = _checked(row, now, at)
    delivered = part.balance.delivered
    if answer.settled + answer.held > delivered:
        raise invalid(
            "returned_cases",
            say(
                "{settled} cases are answered for; customer {code} has {delivered} of this recall.",
                settled=answer.settled + answer.held,
                code=part.customer.code,
                delivered=delivered,
            ),
            say("Count again; the four figures together are at most {delivered}.", delivered=delivered),
            code="more-than-delivered",
        )
    session.add(
        RecallAnswer(
            site_id=row.site_id, recall_id=row.id, customer_id=customer_id, received_at=received_at,
            held_cases=answer.held, sold_on_cases=answer.sold_on, returned_cases=answer.returned,
            destroyed_cases=answer.destroyed, explanation=answer.explanation, note=note, recorded_at=now,
            recorded_by=caller.id,
        )
    )  # fmt: skip
    session.flush()
    data = {
        "id": row.id,
        "customer_id": customer_id,
        "customer": part.customer.code,
        "delivered": delivered,
        "held": answer.held,
        "sold_on": answer.sold_on,
        "returned": answer.returned,
        "destroyed": answer.destroyed,
        "outstanding": replace(part.balance, answer=answer).outstanding,
        "is_explained": bool(answer.explanation),
    }
    record(session, row.site_id, Event("recall.answered", now, actor_id=caller.id, data=data))
    announce(session, row.site_id, Notice("recall.answered", now, data))
    return row


def _part(
    session: Session, now: datetime, caller: Caller, recall_id: int, customer_id: int
) -> tuple[Recall, CustomerPart]:
    # A recall is not closed while somebody notes an answer.
    take_turns(session, f"recalls of site {caller.site_id}")
    row = queries.recall(session, caller.site_id, recall_id, is_locked=True)
    require_running(row)
    for part in queries.customer_parts(session, now, row):
        if part.customer.id == customer_id:
            return row, part
    raise missing("customer of this recall", customer_id)


def _checked(row: Recall, now: datetime, at: datetime | None) -> datetime:
    if at is None:
        return now
    require_past(at, now, "at")
    if row.started_at is not None and at < row.started_at:
        raise invalid(
            "at",
            say("The recall was started at {started_at}, later.", started_at=row.started_at.isoformat()),
            say("Give a time after that."),
        )
    return at
