"""Remind people of customers whose answer is due."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.tracing.recall import queries
from rimekeep.tracing.recall.core.states import CustomerState, RecallState
from rimekeep.tracing.recall.tables import Recall, RecallReminder


def remind(session: Session, now: datetime, site_id: int) -> int:
    """
    Tell of every customer whose answer became due, once for each time they were told; return how many.

    One notice a recall, however many customers.
    """
    running = session.scalars(
        select(Recall)
        .where(col(Recall.site_id) == site_id, col(Recall.state) == RecallState.RUNNING)
        .order_by(col(Recall.id))
        .with_for_update()
    ).all()
    reminded = 0
    for row in running:
        known = {
            one.customer_id: one
            for one in session.scalars(select(RecallReminder).where(col(RecallReminder.recall_id) == row.id))
        }
        news = []
        for part in queries.customer_parts(session, now, row):
            if part.state != CustomerState.OVERDUE or part.due_at is None:
                continue
            before = known.get(part.customer.id)
            if before is not None and before.due_at == part.due_at:
                continue
            if before is None:
                session.add(
                    RecallReminder(recall_id=row.id, customer_id=part.customer.id, due_at=part.due_at)
                )
            else:
                before.due_at = part.due_at
            news.append(
                {
                    "customer_id": part.customer.id,
                    "customer": part.customer.code,
                    "cases": part.balance.outstanding,
                    "due_at": part.due_at.isoformat(),
                    "is_notified": part.notified_at is not None,
                }
            )
        if news:
            data = {"id": row.id, "customers": news}
            record(session, site_id, Event("recall.reminded", now, data=data))
            announce(session, site_id, Notice("recall.reminded", now, data))
        reminded += len(news)
    session.flush()
    return reminded
