"""Recalls as they are stored, and as people see them."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.tables import Principal
from rimekeep.errors import missing
from rimekeep.orders.tables import Customer as CustomerRow
from rimekeep.platform.database import Listing, parts
from rimekeep.tracing.recall.core.figures import figures
from rimekeep.tracing.recall.core.reconcile import Accounted, Answer, Balance, due_at, state_of
from rimekeep.tracing.recall.core.records import Customer, CustomerPart, Delivery, Said, Source, Stopped, Told
from rimekeep.tracing.recall.core.states import RecallState
from rimekeep.tracing.recall.queries.scope import source_of
from rimekeep.tracing.recall.queries.whereabouts import cases_in, deliveries, returned_between, stopped
from rimekeep.tracing.recall.tables import Recall, RecallAnswer, RecallNotification, RecallRecord

DELIVERIES = TypeAdapter(list[Delivery])
STOPPED = TypeAdapter(list[Stopped])


def recall(session: Session, site_id: int, recall_id: int, *, is_locked: bool = False) -> Recall:
    """Return a recall of the site."""
    statement = select(Recall).where(col(Recall.site_id) == site_id, col(Recall.id) == recall_id)
    if is_locked:
        statement = statement.with_for_update().execution_options(populate_existing=True)
    found = session.scalars(statement).one_or_none()
    if found is None:
        raise missing("recall", recall_id)
    return found


def recalls(site_id: int, *, state: RecallState | None = None, is_mock: bool | None = None) -> Listing:
    """Return the statement for recalls, and its order."""
    statement = select(Recall).where(col(Recall.site_id) == site_id)
    if state is not None:
        statement = statement.where(col(Recall.state) == state)
    if is_mock is not None:
        statement = statement.where(col(Recall.is_mock) == is_mock)
    return statement, [col(Recall.id)]


def deliveries_of(session: Session, now: datetime, row: Recall) -> list[Delivery]:
    """Return what customers were delivered: as it is now, or as it was when the recall was closed."""
    record = session.get(RecallRecord, row.id)
    if record is not None:
        return DELIVERIES.validate_python(record.deliveries)
    return deliveries(session, row.site_id, source_of(session, now, row))


def stopped_of(session: Session, now: datetime, row: Recall) -> list[Stopped]:
    """Return what no customer has: as it is now, or as it was when the recall was closed."""
    record = session.get(RecallRecord, row.id)
    if record is not None:
        return STOPPED.validate_python(record.stopped)
    return stopped(session, row.site_id, source_of(session, now, row))


def accounted(
    session: Session, site_id: int, source: Source, there: list[Stopped], gone: list[Delivery]
) -> Accounted:
    """Return how much of what is asked after is accounted for."""
    made, adjusted = cases_in(session, site_id, source)
    return Accounted(
        made=made,
        here=sum(one.cases for one in there),
        delivered=sum(one.cases for one in gone),
        adjusted=adjusted,
    )


def figures_now(session: Session, now: datetime, row: Recall) -> dict[str, Any]:
    """Return a recall's figures: as they are now, or as they were when it was closed."""
    if row.state == RecallState.CLOSED:
        return dict(row.figures.get("at_close", row.figures))
    source = source_of(session, now, row)
    there, gone = stopped_of(session, now, row), deliveries_of(session, now, row)
    return figures(source, there, gone, accounted(session, row.site_id, source, there, gone))


def customer_parts(
    session: Session, now: datetime, row: Recall, gone: Sequence[Delivery] | None = None
) -> list[CustomerPart]:
    """
    Return every customer's part: whom to call, what they have, what they were told and said; by code.

    ``gone`` is what was delivered, where that is known already.
    """
    told, said = _told(session, row.id), _said(session, row.id)
    by_customer: dict[int, list[Delivery]] = defaultdict(list)
    for one in deliveries_of(session, now, row) if gone is None else gone:
        by_customer[one.customer_id].append(one)
    found = []
    back = _taken_back(session, now, row)
    # Who was told stays on the list, even if the truck came back with the goods.
    listed = by_customer.keys() | told.keys() | said.keys() | back.keys()
    for customer in _customers(session, row.site_id, listed):
        own, news, answers = by_customer[customer.id], told[customer.id], said[customer.id]
        notified_at = max((one.at for one in news), default=None)
        due = due_at(row.started_at, notified_at, row.answer_within_s)
        returned = back.get(customer.id, 0)
        delivered = sum(one.cases for one in own) + returned
        balance = Balance(delivered, answers[-1].answer if answers else None, returned)
        found.append(
            CustomerPart(
                customer=customer,
                deliveries=tuple(own),
                balance=balance,
                state=state_of(balance, notified_at=notified_at, due_at=due, now=row.closed_at or now),
                notified_at=notified_at,
                due_at=due,
                told=tuple(news),
                said=tuple(answers),
            )
        )
    return found


def _taken_back(session: Session, now: datetime, row: Recall) -> dict[int, int]:
    """Return the cases each customer sent back into the store since a recall's start, up to its close."""
    if row.started_at is None:
        return {}
    source = source_of(session, now, row)
    return returned_between(session, row.site_id, source, row.started_at, row.closed_at or now)


def _customers(session: Session, site_id: int, customer_ids: Collection[int]) -> list[Customer]:
    found: list[Customer] = []
    for some in parts(customer_ids):
        rows = session.execute(
            select(
                col(CustomerRow.id),
                col(CustomerRow.code),
                col(CustomerRow.name),
                col(CustomerRow.contact),
                col(CustomerRow.phone),
                col(CustomerRow.mail),
                col(CustomerRow.address),
            ).where(col(CustomerRow.site_id) == site_id, col(CustomerRow.id).in_(some))
        )
        found += [Customer(*row) for row in rows]
    return sorted(found, key=lambda one: one.code)


def _told(session: Session, recall_id: int) -> defaultdict[int, list[Told]]:
    rows: Any = session.execute(
        select(
            col(RecallNotification.customer_id),
            col(RecallNotification.at),
            col(RecallNotification.how),
            col(RecallNotification.to_whom),
            col(RecallNotification.note),
            col(RecallNotification.recorded_by),
            col(Principal.name),
        )
        .join(Principal, col(Principal.id) == col(RecallNotification.recorded_by))
        .where(col(RecallNotification.recall_id) == recall_id)
        .order_by(col(RecallNotification.id))
    )
    found: defaultdict[int, list[Told]] = defaultdict(list)
    for row in rows:
        found[row[0]].append(Told(*row))
    return found


def _said(session: Session, recall_id: int) -> defaultdict[int, list[Said]]:
    rows: Any = session.execute(
        select(RecallAnswer, col(Principal.name))
        .join(Principal, col(Principal.id) == col(RecallAnswer.recorded_by))
        .where(col(RecallAnswer.recall_id) == recall_id)
        .order_by(col(RecallAnswer.id))
    )
    found: defaultdict[int, list[Said]] = defaultdict(list)
    for row, by_name in rows:
        answer = Answer(
            row.held_cases, row.sold_on_cases, row.returned_cases, row.destroyed_cases, row.explanation
        )
        found[row.customer_id].append(
            Said(row.customer_id, row.received_at, answer, row.note, row.recorded_by, by_name)
        )
    return found
