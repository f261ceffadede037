"""What is announced: as a list, and as it happens."""

import asyncio
import json
import time
from collections.abc import AsyncIterator
from datetime import datetime
from typing import Annotated

import structlog
from fastapi import Header, Query, Request
from fastapi.responses import StreamingResponse
from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool

from rimekeep.access.core.roles import READERS, Caller
from rimekeep.access.dependencies import ReaderDep
from rimekeep.access.queries import still_admits
from rimekeep.alerts import queries, schemas
from rimekeep.alerts.core.kinds import Severity, Wanted, severity_of
from rimekeep.alerts.routes.router import routes
from rimekeep.platform.database import Database
from rimekeep.platform.http import SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

log = structlog.get_logger("rimekeep.alerts")
POLL_S = 0.5
QUIET_S = 15.0
# A stream ends by itself and the client comes back with the number it has.
STREAM_S = 600.0
BATCH = 200
Seq = Annotated[int, Query(ge=0, le=2**63 - 1)]


@routes.get("/outbox")
def list_messages(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    kind: Annotated[schemas.Kind | None, Query(description="Only messages of this kind.")] = None,
    after_seq: Annotated[Seq, Query(description="Only messages after this number.")] = 0,
) -> Page[schemas.MessageOut]:
    """List what was announced, oldest first."""
    return asked.show(
        session, queries.outbox(caller.site_id, kind=kind, after_seq=after_seq), schemas.MessageOut
    )


@routes.get(
    "/stream",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {}}, "description": "Messages as they are announced."}},
)
def follow(
    request: Request,
    session: SessionDep,
    caller: ReaderDep,
    last_event_id: Annotated[
        int | None,
        Header(
            ge=0,
            le=2**63 - 1,
            description="Number of the last message seen; without it the stream begins now.",
        ),
    ] = None,
    kind: Annotated[
        list[schemas.Kind], Query(max_length=50, description="Only messages of these kinds.")
    ] = [],  # noqa: B006 - never changed
    zone_id: Annotated[
        list[Id],
        Query(max_length=200, description="Only messages about these zones, or about none in particular."),
    ] = [],  # noqa: B006 - never changed
    least_severity: Annotated[Severity, Query(description="Nothing less grave.")] = Severity.INFO,
) -> StreamingResponse:
    """
    Follow what is announced, as server-sent events; the event id is the message's number.

    It ends as soon as the caller is shut out, or their token or session has ended.
    """
    start = queries.outbox_head(session, caller.site_id) if last_event_id is None else last_event_id
    wanted = Wanted(frozenset(kind), frozenset(zone_id), least_severity)
    events = _events(request, request.app.state.database, caller, start, wanted)
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(events, media_type="text/event-stream", headers=headers)


async def _events(
    request: Request, database: Database, caller: Caller, seq: int, wanted: Wanted
) -> AsyncIterator[str]:
    begun = spoken = time.monotonic()
    clock = request.app.state.clock
    yield "retry: 2000\n\n"
    try:
        while time.monotonic() - begun < STREAM_S and not await request.is_disconnected():
            found = await run_in_threadpool(_read, database, clock(), caller, seq, wanted)
            if found is None:
                return
            messages, seq, is_more = found
            for message in messages:
                data = json.dumps(message.model_dump(mode="json"))
                yield f"id: {message.seq}\nevent: {message.kind}\ndata: {data}\n\n"
            now = time.monotonic()
            if messages:
                spoken = now
            elif now - spoken > QUIET_S:
                # Proxies and phones drop a connection that says nothing.
                spoken = now
                yield ": still here\n\n"
            if not is_more:
                await asyncio.sleep(POLL_S)
    except SQLAlchemyError as error:
        log.warning("stream ended, the database cannot be read", error=type(error).__name__)


def _read(
    database: Database, now: datetime, caller: Caller, seq: int, wanted: Wanted
) -> tuple[list[schemas.MessageOut], int, bool] | None:
    """
    Return what is wanted of the messages after one, the last looked at, and whether there may be more.

    None if the caller may follow no longer.
    """
    with database.transaction(readonly=True) as session:
        if not still_admits(session, caller, now, READERS):
            return None
        found = queries.messages_after(session, caller.site_id, seq, most=BATCH)
        zones = queries.zones_meant(session, caller.site_id, found)
        shown = [
            schemas.MessageOut.model_validate(one)
            for one in found
            if wanted.takes(one.kind, severity_of(one.kind, one.data), zones[one.seq])
        ]
        return shown, found[-1].seq if found else seq, len(found) == BATCH
