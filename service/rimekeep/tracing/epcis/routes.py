"""EPCIS 2.0 over HTTP: events asked for, told whole, and taken in."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import Depends, Header, Query, Request, Response
from fastapi.responses import StreamingResponse
from sqlalchemy import Row

from rimekeep.access.core.roles import READERS, Caller, Role
from rimekeep.access.dependencies import GatewayDep, LeadDep, ReaderDep, admits
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, tagged
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.problems import PROBLEM_JSON, Problem
from rimekeep.platform.schemas import Id, Instant
from rimekeep.tracing.epcis import queries, schemas, usecases
from rimekeep.tracing.epcis.core import names
from rimekeep.tracing.epcis.core.asked import read_query
from rimekeep.tracing.epcis.core.checking import STANDARD_CONTEXT, malformed
from rimekeep.tracing.epcis.core.keys import Form, shown
from rimekeep.tracing.epcis.core.names import House
from rimekeep.tracing.epcis.core.states import CaptureState, OnError

routes = router("", "epcis")

LD_JSON = "application/ld+json"
MALFORMED: dict[int | str, dict[str, Any]] = {
    400: {"model": Problem, "content": {PROBLEM_JSON: {}}, "description": "It does not follow EPCIS 2.0"}
}
VERSIONS = {"GS1-EPCIS-Version": "2.0.0", "GS1-CBV-Version": "2.0.0"}
# Events in one transaction of an export.
BATCH = 500
SenderDep = Annotated[Caller, admits(*READERS, Role.GATEWAY)]


def wanted_form(
    gs1_epc_format: Annotated[
        str | None, Header(description=f"Form of names: {', '.join(Form)}. Default: No_Preference.")
    ] = None,
) -> Form:
    """Return the form names are asked for in."""
    if gs1_epc_format is None:
        return Form.NO_PREFERENCE
    if gs1_epc_format not in list(Form):
        raise malformed("GS1-EPC-Format", "The form is not known.", f"Use one of {', '.join(Form)}.")
    return Form(gs1_epc_format)


FormDep = Annotated[Form, Depends(wanted_form)]


@routes.get(
    "/events",
    response_class=Response,
    responses={**MALFORMED, 200: schemas.EVENTS_ANSWER},
    openapi_extra=schemas.QUERY_PARAMETERS,
)
def list_events(
    request: Request, session: SessionDep, now: Now, caller: ReaderDep, form: FormDep
) -> Response:
    """
    Ask for EPCIS events, the site's own and its partners', by the parameters of the standard's event query.

    What happens here can be asked for a few seconds later. Names are found in either form, URN or link.
    """
    asked = read_query(request.query_params.multi_items())
    house = queries.house(session, caller.site_id)
    rows, token = queries.page(session, caller.site_id, asked)
    results = {
        "queryName": "SimpleEventQuery",
        "resultsBody": {"eventList": [_shown(row, house, form) for row in rows]},
    }
    document = {**_head("EPCISQueryDocument", now), "epcisBody": {"queryResults": results}}
    headers = {**VERSIONS, "GS1-EPC-Format": form.value}
    if token is not None:
        next_page = request.url.include_query_params(nextPageToken=token)
        headers["Link"] = f'<{next_page}>; rel="next"'
    return Response(json.dumps(document, ensure_ascii=False), media_type=LD_JSON, headers=headers)


@routes.get(
    "/events/export",
    response_class=StreamingResponse,
    responses={**MALFORMED, 200: schemas.EXPORT_ANSWER},
)
def export_events(
    request: Request,
    session: SessionDep,
    now: Now,
    caller: ReaderDep,
    form: FormDep,
    from_at: Annotated[Instant, Query(alias="from", description="Of the events' times.")],
    until_at: Annotated[Instant | None, Query(alias="to", description="Not included. Default: now.")] = None,
) -> StreamingResponse:
    """Write all events of a stretch of time as one EPCISDocument."""
    site_id, house = caller.site_id, queries.house(session, caller.site_id)
    last_id = queries.last_event_id(session, site_id)
    until_at = until_at or now
    database = request.app.state.database

    def written() -> Iterator[str]:
        head = json.dumps(_head("EPCISDocument", now), ensure_ascii=False)
        yield f'{head[:-1]}, "epcisBody": {{"eventList": ['
        after: tuple[datetime, int] | None = None
        between = ""
        while True:
            # Each part by a transaction of its own: a slow reader must not hold one open.
            with database.transaction(readonly=True) as reading:
                rows = queries.between(
                    reading, site_id, from_at, until_at, last_id=last_id, after=after, most=BATCH
                )
            for row in rows:
                yield between + json.dumps(_shown(row, house, form), ensure_ascii=False)
                between = ",\n"
            if len(rows) < BATCH:
                break
            after = rows[-1].event_at, rows[-1].id
        yield "]}}"

    name = f"events-{from_at:%Y%m%dT%H%M}-{until_at:%Y%m%dT%H%M}.jsonld"
    headers = {**VERSIONS, "Content-Disposition": f'attachment; filename="{name}"'}
    return StreamingResponse(written(), media_type=LD_JSON, headers=headers)


def _head(kind: str, now: datetime) -> dict[str, Any]:
    return {
        "@context": [STANDARD_CONTEXT],
        "type": kind,
        "schemaVersion": "2.0",
        "creationDate": names.written(now.astimezone(UTC)),
    }


def _shown(row: Row[Any], house: House, form: Form) -> dict[str, Any]:
    return shown(json.loads(row.body), row.record_at, house, form, is_own=row.capture_id is None)


async def raw_body(request: Request) -> bytes:
    """Return the body as it came."""
    return await request.body()


@routes.post(
    "/capture",
    status_code=202,
    responses={**MALFORMED, 413: {"model": Problem, "content": {PROBLEM_JSON: {}}}},
    openapi_extra=schemas.CAPTURE_BODY,
)
def capture(
    body: Annotated[bytes, Depends(raw_body)],
    session: SessionDep,
    now: Now,
    caller: GatewayDep,
    response: Response,
    gs1_capture_error_behaviour: Annotated[
        str | None, Header(description="rollback (default): all events or none; proceed: the good ones.")
    ] = None,
) -> schemas.CaptureOut:
    """
    Take in a partner's EPCISDocument, or one event; the answer names a job that says what became of it.

    Events are checked against EPCIS 2.0 and found by the same query as the site's own. Contexts a document
    names are never fetched.
    """
    behaviour = gs1_capture_error_behaviour or OnError.ROLLBACK.value
    if behaviour not in list(OnError):
        raise malformed(
            "GS1-Capture-Error-Behaviour", "The behaviour is not known.", "Use rollback or proceed."
        )
    added = usecases.take_document(session, now, caller, body=body, on_error=OnError(behaviour))
    response.headers.update({**VERSIONS, "Location": f"/v1/capture/{added.id}"})
    return _job(added)


@routes.get("/capture/{capture_id}")
def show_capture(capture_id: Id, session: SessionDep, caller: SenderDep) -> schemas.CaptureOut:
    """Show what became of a document that was sent; a gateway sees its own."""
    is_reader = caller.roles & {*READERS}
    found = queries.capture(session, caller.site_id, capture_id, asked_by=None if is_reader else caller.id)
    return _job(found)


def _job(found: Any) -> schemas.CaptureOut:
    return schemas.CaptureOut(
        captureID=str(found.id),
        createdAt=found.asked_at,
        finishedAt=found.ended_at,
        running=found.state == CaptureState.WAITING,
        success=found.state == CaptureState.DONE and not found.errors,
        captureErrorBehaviour=found.on_error,
        events=found.events,
        stored=found.stored,
        repeated=found.repeated,
        errors=[schemas.CaptureErrorOut.model_validate(one) for one in found.errors],
    )


@routes.get("/epcis")
def show_speaking(session: SessionDep, caller: ReaderDep, response: Response) -> schemas.SpeakingOut:
    """Show how the site speaks EPCIS."""
    return tagged(response, schemas.SpeakingOut, queries.epcis_site(session, caller.site_id))


@routes.patch("/epcis", responses=CONDITIONAL)
def set_speaking(
    body: schemas.SpeakingIn,
    session: SessionDep,
    now: Now,
    caller: LeadDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.SpeakingOut:
    """Set the site's GLN, or the form of names; what was told before stays as it was told."""
    found = usecases.set_speaking(
        session,
        now,
        caller,
        changes=body.model_dump(exclude_unset=True),
        check=lambda before: condition.require(schemas.SpeakingOut, before),
    )
    return tagged(response, schemas.SpeakingOut, found)
