"""Endpoints of recalls."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import Query, Response
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import QaDep, QaOrLeadDep, admits
from rimekeep.access.queries import site_of
from rimekeep.platform.http import LIMITED, Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.tracing.recall import papers, queries, schemas, usecases
from rimekeep.tracing.recall.core.figures import trips_to_call, trips_to_unload
from rimekeep.tracing.recall.core.reconcile import Answer, totals
from rimekeep.tracing.recall.core.states import RecallState
from rimekeep.tracing.recall.core.table import as_csv

routes = router("", "recalls")
# Contacts are in it; whoever has no part in a recall need not see them.
OverseerDep = Annotated[Caller, admits(Role.QA, Role.LEAD, Role.AUDITOR)]
CSV: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/csv": {"schema": {"type": "string"}}}, "description": "A line a lot and unit."}
}
PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {}}, "description": "To be printed."}
}


@routes.post("/recalls", status_code=201)
def draft_recall(
    body: schemas.RecallScopeIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.RecallDetailOut:
    """Write down what is to be called back and see what it reaches; nothing is stopped before the start."""
    row = usecases.draft(session, now, caller, kind=body.kind, scope=body.plain)
    return _detail(session, now, caller, row.id)


@routes.post("/mock-recalls", status_code=201)
def drill_recall(
    body: schemas.RecallScopeIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.RecallDetailOut:
    """Drill a recall: the complete list of customers, timed and kept; nothing is stopped, nobody is told."""
    row = usecases.drill(session, now, caller, kind=body.kind, scope=body.plain)
    return _detail(session, now, caller, row.id)


@routes.get("/recalls")
def list_recalls(
    session: SessionDep,
    caller: OverseerDep,
    asked: PageDep,
    state: RecallState | None = None,
    is_mock: Annotated[bool | None, Query(description="Only drills, or only real ones.")] = None,
) -> Page[schemas.RecallOut]:
    """List recalls and drills."""
    return asked.show(
        session, queries.recalls(caller.site_id, state=state, is_mock=is_mock), schemas.RecallOut
    )


@routes.get("/recalls/{recall_id}")
def show_recall(recall_id: Id, session: SessionDep, now: Now, caller: OverseerDep) -> schemas.RecallDetailOut:
    """Show a recall, and where what it reaches stands now."""
    return _detail(session, now, caller, recall_id)


@routes.post("/recalls/{recall_id}/start", responses=LIMITED)
def start_recall(
    recall_id: Id, body: schemas.RecallStartIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.RecallDetailOut:
    """Start a recall and sign for it: everything that is still here is stopped at once."""
    usecases.start(
        session,
        now,
        caller,
        recall_id=recall_id,
        reason=body.reason,
        signature_token=body.signature_token.get_secret_value(),
        answer_within_s=body.answer_within_s,
    )
    return _detail(session, now, caller, recall_id)


@routes.get("/recalls/{recall_id}/customers")
def list_recall_customers(
    recall_id: Id, session: SessionDep, now: Now, caller: OverseerDep
) -> schemas.RecallCustomersOut:
    """List all customers: whom to call, what they have of which lot, what they were told and answered."""
    return _customers(session, now, caller, recall_id)


@routes.get("/recalls/{recall_id}/customers.csv", response_class=Response, responses=CSV)
def list_recall_deliveries(recall_id: Id, session: SessionDep, now: Now, caller: OverseerDep) -> Response:
    """Write the list of deliveries as a table."""
    row = queries.recall(session, caller.site_id, recall_id)
    return Response(
        as_csv(queries.customer_parts(session, now, row)),
        media_type="text/csv; charset=utf-8",
        headers={
            "Content-Disposition": f'attachment; filename="recall-{row.id}.csv"',
            "Cache-Control": "no-store",
        },
    )


@routes.post("/recalls/{recall_id}/customers/{customer_id}/notifications", status_code=201)
def note_notification(
    recall_id: Id,
    customer_id: Id,
    body: schemas.RecallNotificationIn,
    session: SessionDep,
    now: Now,
    caller: QaOrLeadDep,
) -> schemas.RecallCustomerPartOut:
    """Note that a customer was told, how and whom."""
    usecases.notify(
        session,
        now,
        caller,
        recall_id=recall_id,
        customer_id=customer_id,
        how=body.how,
        to_whom=body.to,
        at=body.at,
        note=body.note,
    )
    return _part(session, now, caller, recall_id, customer_id)


@routes.post("/recalls/{recall_id}/customers/{customer_id}/answers", status_code=201)
def note_answer(
    recall_id: Id,
    customer_id: Id,
    body: schemas.RecallAnswerIn,
    session: SessionDep,
    now: Now,
    caller: QaOrLeadDep,
) -> schemas.RecallCustomerPartOut:
    """Note what a customer says became of their cases; the newest answer counts, all stay on record."""
    usecases.answer(
        session,
        now,
        caller,
        recall_id=recall_id,
        customer_id=customer_id,
        answer=Answer(
            body.held_cases,
            body.sold_on_cases,
            body.returned_cases,
            body.destroyed_cases,
            body.rest_explained,
        ),
        at=body.at,
        note=body.note,
    )
    return _part(session, now, caller, recall_id, customer_id)


@routes.post("/recalls/{recall_id}/close", responses=LIMITED)
def close_recall(
    recall_id: Id, body: schemas.RecallCloseIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.RecallDetailOut:
    """Close a recall in which every case is accounted for or explained, and sign for it."""
    usecases.close(
        session,
        now,
        caller,
        recall_id=recall_id,
        reason=body.reason,
        ending=body.stock,
        signature_token=body.signature_token.get_secret_value(),
    )
    return _detail(session, now, caller, recall_id)


@routes.get("/recalls/{recall_id}/report.pdf", response_class=Response, responses=PDF)
def print_recall(recall_id: Id, session: SessionDep, now: Now, caller: OverseerDep) -> Response:
    """Print the report: figures, what was stopped where, and every customer's part."""
    row = queries.recall(session, caller.site_id, recall_id)
    made = papers.report_pdf(
        site_of(session, caller.site_id).name,
        now,
        schemas.RecallOut.model_validate(row).model_dump(),
        queries.figures_now(session, now, row),
        queries.customer_parts(session, now, row),
    )
    return Response(made, media_type="application/pdf", headers={"Cache-Control": "no-store"})


def _detail(session: Session, now: datetime, caller: Caller, recall_id: int) -> schemas.RecallDetailOut:
    row = queries.recall(session, caller.site_id, recall_id)
    there, gone = queries.stopped_of(session, now, row), queries.deliveries_of(session, now, row)
    return schemas.RecallDetailOut(
        **schemas.RecallOut.model_validate(row).model_dump(),
        now=queries.figures_now(session, now, row),
        trips_to_call=[schemas.RecallTripOut(**one) for one in trips_to_call(there, gone)],
        trips_to_unload=[schemas.RecallTripOut(**one) for one in trips_to_unload(there)],
        stopped=[schemas.RecallStoppedOut.model_validate(one) for one in there],
    )


def _customers(session: Session, now: datetime, caller: Caller, recall_id: int) -> schemas.RecallCustomersOut:
    row = queries.recall(session, caller.site_id, recall_id)
    parts = queries.customer_parts(session, now, row)
    return schemas.RecallCustomersOut(
        recall_id=row.id,
        totals=schemas.RecallTotalsOut.model_validate(totals(part.balance for part in parts)),
        open_customers=[part.customer.code for part in parts if not part.balance.is_done],
        customers=[schemas.RecallCustomerPartOut.model_validate(part) for part in parts],
    )


def _part(
    session: Session, now: datetime, caller: Caller, recall_id: int, customer_id: int
) -> schemas.RecallCustomerPartOut:
    found = _customers(session, now, caller, recall_id).customers
    return next(one for one in found if one.customer.id == customer_id)
