"""Endpoints of alerts."""

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Annotated

import structlog
from fastapi import Header, Query, Request
from fastapi.responses import StreamingResponse
from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import AdminDep, ReaderDep, TokenGiverDep, admits
from rimekeep.alerts import queries, schemas, usecases
from rimekeep.platform.database import Database
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

log = structlog.get_logger("rimekeep.alerts")
routes = router("", "alerts")

OverseerDep = Annotated[Caller, admits(Role.QA, Role.LEAD, Role.AUDITOR)]

POLL_S = 0.5
QUIET_S = 15.0
# A stream ends by itself and the client comes back with the number it has, so that a token that was revoked
# in between is noticed.
STREAM_S = 600.0
BATCH = 200
Seq = Annotated[int, Query(ge=0, le=2**63 - 1)]


@routes.post("/subscriptions", status_code=201)
def add_subscription(
    body: schemas.SubscriptionIn, session: SessionDep, now: Now, caller: TokenGiverDep, request: Request
) -> schemas.NewSubscriptionOut:
    """Subscribe a receiver to what is announced from now on; its secret is in the answer, once."""
    added = usecases.add_subscription(
        session,
        now,
        caller,
        url=body.url,
        kinds=body.kinds,
        is_private_allowed=request.app.state.settings.webhook_allow_private,
    )
    return schemas.NewSubscriptionOut(
        subscription=schemas.SubscriptionOut.model_validate(added), secret=added.secret
    )


@routes.get("/subscriptions")
def list_subscriptions(
    session: SessionDep, caller: OverseerDep, asked: PageDep
) -> Page[schemas.SubscriptionOut]:
    """List the receivers and where their deliveries stand."""
    return asked.show(session, queries.subscriptions(caller.site_id), schemas.SubscriptionOut)


@routes.get("/subscriptions/{subscription_id}")
def show_subscription(
    subscription_id: Id, session: SessionDep, caller: OverseerDep
) -> schemas.SubscriptionOut:
    """Show one receiver."""
    return schemas.SubscriptionOut.model_validate(
        queries.subscription(session, caller.site_id, subscription_id)
    )


@routes.delete("/subscriptions/{subscription_id}")
def deactivate_subscription(
    subscription_id: Id, session: SessionDep, now: Now, caller: AdminDep
) -> schemas.SubscriptionOut:
    """Send a receiver nothing more; what was sent to it stays on record."""
    stopped = usecases.deactivate_subscription(session, now, caller, subscription_id)
    return schemas.SubscriptionOut.model_validate(stopped)


@routes.post("/subscriptions/{subscription_id}/resume")
def resume_subscription(
    subscription_id: Id, session: SessionDep, now: Now, caller: AdminDep
) -> schemas.SubscriptionOut:
    """Go on where a receiver's deliveries stopped."""
    resumed = usecases.resume_subscription(session, now, caller, subscription_id)
    return schemas.SubscriptionOut.model_validate(resumed)


@routes.get("/subscriptions/{subscription_id}/attempts")
def list_attempts(
    subscription_id: Id,
    session: SessionDep,
    caller: OverseerDep,
    asked: PageDep,
    message_seq: Annotated[Seq | None, Query(description="Only attempts to deliver this message.")] = None,
) -> Page[schemas.AttemptOut]:
    """List every attempt to deliver something to a receiver, and what it answered."""
    found = queries.subscription(session, caller.site_id, subscription_id)
    return asked.show(session, queries.attempts(caller.site_id, found.id, message_seq), schemas.AttemptOut)


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
) -> StreamingResponse:
    """Follow what is announced, as server-sent events; the event id is the message's number."""
    start = queries.outbox_head(session, caller.site_id) if last_event_id is None else last_event_id
    events = _events(request, request.app.state.database, caller.site_id, start)
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(events, media_type="text/event-stream", headers=headers)


async def _events(request: Request, database: Database, site_id: int, seq: int) -> AsyncIterator[str]:
    begun = spoken = time.monotonic()
    yield "retry: 2000\n\n"
    try:
        while time.monotonic() - begun < STREAM_S and not await request.is_disconnected():
            messages = await run_in_threadpool(_read, database, site_id, seq)
            for message in messages:
                seq = message.seq
                data = json.dumps(message.model_dump(mode="json"))
                yield f"id: {seq}\nevent: {message.kind}\ndata: {data}\n\n"
            now = time.monotonic()
            if messages:
                spoken = now
            elif now - spoken > QUIET_S:
                # Proxies and phones drop a connection that says nothing.
                spoken = now
                yield ": still here\n\n"
            if len(messages) < BATCH:
                await asyncio.sleep(POLL_S)
    except SQLAlchemyError as error:
        log.warning("stream ended, the database cannot be read", error=type(error).__name__)


def _read(database: Database, site_id: int, seq: int) -> list[schemas.MessageOut]:
    with database.transaction(readonly=True) as session:
        found = queries.messages_after(session, site_id, seq, most=BATCH)
        return [schemas.MessageOut.model_validate(message) for message in found]
