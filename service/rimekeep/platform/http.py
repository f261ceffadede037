"""What a request is: one transaction, one clock reading, one idempotency key, one line in the log."""

import asyncio
import hmac
import re
import time
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import nullcontext
from datetime import UTC, datetime
from http import HTTPStatus
from typing import Annotated, Any, cast, get_args
from uuid import uuid4
from weakref import WeakKeyDictionary

import anyio
import structlog
from fastapi import APIRouter, Depends, Request, Response
from fastapi.routing import APIRoute
from pydantic import BaseModel, SecretStr
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rimekeep.platform import database, idempotency
from rimekeep.platform.language import listen
from rimekeep.platform.problems import PROBLEM_JSON, Problem
from rimekeep.platform.settings import Settings

log = structlog.get_logger("rimekeep.http")

# Well below the 40 threads requests share.
WRITERS = 16
_REQUEST_ID = re.compile(r"[A-Za-z0-9._:-]{1,100}")


def writing_gate(request: Request) -> asyncio.Semaphore:
    """
    Return the gate of this server for transactions that write.

    Whoever waits for a lock of the database keeps a thread meanwhile. If those who wait had every thread, the
    one they wait for could not go on; so fewer may write at a time than there are threads.
    """
    gates: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Semaphore] = request.app.state.writing_gates
    return gates.setdefault(asyncio.get_running_loop(), asyncio.Semaphore(WRITERS))


async def get_session(request: Request) -> AsyncIterator[Session]:
    """
    Open the request's one transaction; it commits before the answer is sent.

    A thread is used for the end only: opening touches no database. The end is shielded, so that a client who
    hangs up cannot leave a transaction behind.
    """
    source = cast(database.Database, request.app.state.database)
    readonly = request.method in {"GET", "HEAD"}
    async with nullcontext() if readonly else writing_gate(request):
        session = source.open(readonly=readonly)
        try:
            yield session
        except BaseException:
            with anyio.CancelScope(shield=True):
                await run_in_threadpool(source.abandon, session)
            raise
        with anyio.CancelScope(shield=True):
            await run_in_threadpool(source.finish, session)


# scope="function": the commit happens before the response leaves, so a failed one cannot answer 201.
SessionDep = Annotated[Session, Depends(get_session, scope="function")]


def read_clock() -> datetime:
    """Return the present; an application reads this clock unless it is given another one."""
    return datetime.now(UTC)


async def get_now(request: Request) -> datetime:
    """Return the present by the application's clock; the only time a request reads it."""
    return cast(datetime, request.app.state.clock())


Now = Annotated[datetime, Depends(get_now)]


def get_settings(request: Request) -> Settings:
    """Return the server's settings."""
    return cast(Settings, request.app.state.settings)


SettingsDep = Annotated[Settings, Depends(get_settings)]


class Route(APIRoute):
    """A route that reads the body once for the idempotency key and stores its answer with the fact."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Wrap FastAPI's handler."""
        handler = super().get_route_handler()
        holds_secret = any(_holds_secret(field.field_info.annotation) for field in self.dependant.body_params)

        async def handle(request: Request) -> Response:
            if request.method in {"GET", "HEAD", "DELETE"}:
                return await handler(request)
            body = await read_body(request)
            if request.method != "POST":
                return await handler(request)
            note_hash(request, body, holds_secret=holds_secret)
            response = await handler(request)
            remember(request, response)
            return response

        return handle


def _holds_secret(model: Any) -> bool:
    fields = model.model_fields.values() if isinstance(model, type) and issubclass(model, BaseModel) else ()
    return any(SecretStr in (field.annotation, *get_args(field.annotation)) for field in fields)


def note_hash(request: Request, body: bytes, *, holds_secret: bool = False) -> None:
    """
    Note what makes two requests the same.

    With a password in the body its plain hash, which is stored, would be a quick way to guess it by: it is
    keyed then with what the caller is known by, which is long, random and not stored.
    """
    query = request.scope["query_string"].decode("latin-1")
    target = request.scope["path"] + (f"?{query}" if query else "")
    hashed = idempotency.request_hash(request.method, target, body)
    if holds_secret:
        known_by = request.headers.get("authorization") or request.headers.get("cookie", "")
        hashed = hmac.digest(known_by.encode(), hashed.encode(), "sha256").hex()
    request.state.request_hash = hashed


def answer_of(request: Request, response: Response) -> idempotency.Answer:
    """Return an answer as it is stored."""
    withheld = getattr(request.state, "answer_is_secret", False)
    return idempotency.Answer(
        request.state.request_hash,
        response.status_code,
        idempotency.WITHHELD if withheld else response.media_type or "application/json",
        b"" if withheld else bytes(response.body),
    )


def remember(request: Request, response: Response) -> None:
    """Store the answer with the fact, if a key was begun and the answer is a good one."""
    opened: tuple[Session, int, str, datetime] | None = getattr(request.state, "idempotent", None)
    if opened is None or response.status_code >= HTTPStatus.BAD_REQUEST:
        return
    session, principal_id, key, now = opened
    idempotency.remember(session, principal_id, key, answer_of(request, response), now)


# Of routes where a password may be tried.
LIMITED: dict[int | str, dict[str, Any]] = {
    429: {"model": Problem, "content": {PROBLEM_JSON: {}}, "description": "Too many tries; see Retry-After."}
}


def router(prefix: str, tag: str) -> APIRouter:
    """Return a feature's router; every feature makes its own with this."""
    described: dict[int | str, dict[str, Any]] = {
        code: {"model": Problem, "content": {PROBLEM_JSON: {}}} for code in (401, 403, 404, 409, 422)
    }
    return APIRouter(prefix=f"/v1{prefix}", tags=[tag], route_class=Route, responses=described)


async def read_body(request: Request) -> bytes:
    """Return the body, if it is no larger than allowed."""
    limit = request.app.state.settings.max_body_bytes
    size = 0
    chunks = []
    async for chunk in request.stream():
        size += len(chunk)
        if size > limit:
            raise HTTPException(413, f"The body is larger than {limit} bytes; send it in smaller batches.")
        chunks.append(chunk)
    body = b"".join(chunks)
    request._body = body
    return body


class RequestLog:
    """Middleware: gives each request an id, returns it, logs one line per request with its duration."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap ``app``."""
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        given = dict(scope["headers"]).get(b"x-request-id", b"").decode("latin-1")
        request_id = given if _REQUEST_ID.fullmatch(given) else uuid4().hex
        scope["request_id"] = request_id
        started = time.perf_counter()
        status = 500
        speech = listen(HTTPConnection(scope))

        async def send_with_id(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message.get("headers", []), (b"x-request-id", request_id.encode())]
                if speech.is_used:
                    message["headers"].append((b"content-language", speech.locale.encode()))
            await send(message)

        with structlog.contextvars.bound_contextvars(request_id=request_id):
            try:
                await self.app(scope, receive, send_with_id)
            except Exception:
                log.exception("request failed", method=scope["method"], path=scope["path"])
                raise
            finally:
                log.info(
                    "request",
                    method=scope["method"],
                    path=scope["path"],
                    status=status,
                    ms=round((time.perf_counter() - started) * 1000, 1),
                )
