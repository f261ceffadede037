"""Turns requests into use cases and errors into problems (RFC 9457); alone knows statuses."""

import re
import time
from collections.abc import AsyncIterator, Callable, Coroutine
from concurrent.futures import BrokenExecutor
from datetime import UTC, datetime
from http import HTTPStatus
from typing import Annotated, Any, cast
from uuid import uuid4

import anyio
import structlog
from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import BaseModel, Field
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rimekeep import errors
from rimekeep.platform import database, idempotency

log = structlog.get_logger("rimekeep.http")

PROBLEM_JSON = "application/problem+json"
STATUS: dict[type[errors.RimekeepError], int] = {
    errors.Missing: 404,
    errors.Conflict: 409,
    errors.Refused: 409,
    errors.Forbidden: 403,
    errors.Invalid: 422,
}
_REQUEST_ID = re.compile(r"[A-Za-z0-9._:-]{1,100}")


class FaultOut(BaseModel):
    """One field that is wrong."""

    field: str = Field(description="Where: a path into the body (`lines[0].cases`), a parameter or a header.")
    detail: str = Field(description="What is wrong.")
    mend: str = Field(description="What would be right.")


class Problem(BaseModel):
    """A problem as RFC 9457 has it."""

    type: str = Field(
        description="Stable address of the kind of problem.", examples=["/problems/sscc-check-digit"]
    )
    title: str
    status: int
    detail: str
    instance: str = Field(description="Id of this request, as in the log.")
    errors: list[FaultOut] = []
    data: dict[str, Any] = Field({}, description="The facts behind it, for programs.")


class Unauthenticated(Exception):  # noqa: N818 - named as the status is
    """No token, or none that is known."""


async def get_session(request: Request) -> AsyncIterator[Session]:
    """
    Open the request's one transaction; it commits before the answer is sent.

    A thread is used for the end only: opening touches no database. The end is shielded, so that a client who
    hangs up cannot leave a transaction behind.
    """
    source = cast(database.Database, request.app.state.database)
    session = source.open(readonly=request.method in {"GET", "HEAD"})
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


async def get_now() -> datetime:
    """Return the present; the only clock read of a request."""
    return datetime.now(UTC)


Now = Annotated[datetime, Depends(get_now)]


class Route(APIRoute):
    """A route that reads the body once for the idempotency key and stores its answer with the fact."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Wrap FastAPI's handler."""
        handler = super().get_route_handler()

        async def handle(request: Request) -> Response:
            if request.method != "POST":
                return await handler(request)
            body = await _read_body(request)
            target = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            request.state.request_hash = idempotency.request_hash(request.method, target, body)
            response = await handler(request)
            opened: tuple[Session, int, str, datetime] | None = getattr(request.state, "idempotent", None)
            if opened is not None and response.status_code < HTTPStatus.BAD_REQUEST:
                session, principal_id, key, now = opened
                withheld = getattr(request.state, "answer_is_secret", False)
                answer = idempotency.StoredAnswer(
                    principal_id=principal_id,
                    key=key,
                    request_hash=request.state.request_hash,
                    status=response.status_code,
                    media_type=idempotency.WITHHELD
                    if withheld
                    else response.media_type or "application/json",
                    body=b"" if withheld else bytes(response.body),
                    at=now,
                )
                idempotency.remember(session, answer)
            return response

        return handle


def router(prefix: str, tag: str) -> APIRouter:
    """Return a feature's router; every feature makes its own with this."""
    described: dict[int | str, dict[str, Any]] = {
        code: {"model": Problem, "content": {PROBLEM_JSON: {}}} for code in (401, 403, 404, 409, 422)
    }
    return APIRouter(prefix=f"/v1{prefix}", tags=[tag], route_class=Route, responses=described)


async def _read_body(request: Request) -> bytes:
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


def problem(
    request: Request,
    status: int,
    code: str,
    detail: str,
    *,
    faults: list[FaultOut] | None = None,
    data: dict[str, object] | None = None,
    headers: dict[str, str] | None = None,
) -> JSONResponse:
    """Build a problem answer."""
    content = Problem(
        type=f"/problems/{code}",
        title=code.replace("-", " ").capitalize(),
        status=status,
        detail=detail,
        instance=f"urn:request:{request.scope.get('request_id', 'unknown')}",
        errors=faults or [],
        data=data or {},
    )
    return JSONResponse(content.model_dump(mode="json"), status, headers=headers, media_type=PROBLEM_JSON)


def install_problems(app: FastAPI) -> None:
    """Teach ``app`` to answer every error as a problem."""

    async def on_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, errors.RimekeepError)
        status = next(STATUS[kind] for kind in type(error).__mro__ if kind in STATUS)
        if error.code == "idempotency-key-missing":
            status = 400
        faults = [FaultOut(field=f.field, detail=f.detail, mend=f.mend) for f in error.faults]
        return problem(request, status, error.code, error.detail, faults=faults, data=error.data)

    async def on_replay(request: Request, error: Exception) -> Response:
        assert isinstance(error, idempotency.Replay)
        headers = {"Idempotency-Replayed": "true"}
        return Response(error.body or None, error.status, headers=headers, media_type=error.media_type)

    async def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        faults = [_fault_of(cast(dict[str, Any], found)) for found in error.errors()[:50]]
        return problem(request, 422, "invalid-input", "The input cannot be used as it is.", faults=faults)

    async def on_unauthenticated(request: Request, error: Exception) -> Response:
        return problem(
            request,
            401,
            "not-signed-in",
            "Send a valid token: Authorization: Bearer TOKEN.",
            headers={"WWW-Authenticate": "Bearer"},
        )

    async def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        code = re.sub(r"[^a-z0-9]+", "-", HTTPStatus(error.status_code).phrase.lower())
        headers = dict(error.headers or {})
        return problem(request, error.status_code, code, str(error.detail), headers=headers)

    async def on_integrity(request: Request, error: Exception) -> Response:
        assert isinstance(error, IntegrityError)
        named = database.constraint_in(error)
        log.warning("constraint refused a write", constraint=named)
        return problem(
            request,
            409,
            "conflicting-write",
            "Somebody else's change came first, or this exists already. Read it again and retry.",
            data={"constraint": named},
        )

    async def on_database(request: Request, error: Exception) -> Response:
        log.error("database not usable", error=type(error).__name__)
        return problem(
            request,
            503,
            "database-unavailable",
            "The database cannot be used now; nothing was changed. Repeat with the same Idempotency-Key.",
            headers={"Retry-After": "5"},
        )

    async def on_broken_planner(request: Request, error: Exception) -> Response:
        log.error("a planning process was killed")
        return problem(
            request,
            503,
            "planner-stopped",
            "The planning process was stopped, for want of memory perhaps; nothing was changed. Ask again.",
            headers={"Retry-After": "5"},
        )

    async def on_anything(request: Request, error: Exception) -> Response:
        return problem(
            request, 500, "internal-error", "Something failed here; it is logged under the id in `instance`."
        )

    app.add_exception_handler(errors.RimekeepError, on_error)
    app.add_exception_handler(idempotency.Replay, on_replay)
    app.add_exception_handler(RequestValidationError, on_validation)
    app.add_exception_handler(Unauthenticated, on_unauthenticated)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(IntegrityError, on_integrity)
    for kind in (OperationalError, DBAPIError, PoolTimeout):
        app.add_exception_handler(kind, on_database)
    app.add_exception_handler(BrokenExecutor, on_broken_planner)
    app.add_exception_handler(Exception, on_anything)


def _fault_of(found: dict[str, Any]) -> FaultOut:
    where = ""
    for part in found["loc"][1:] or found["loc"]:
        where += f"[{part}]" if isinstance(part, int) else f".{part}" if where else str(part)
    message = str(found["msg"])
    detail, _, mend = message.partition(" | ")
    detail = detail.removeprefix("Value error, ")
    return FaultOut(field=where, detail=detail, mend=mend or _mend(found))


def _mend(found: dict[str, Any]) -> str:
    kind = str(found["type"])
    context = found.get("ctx", {})
    if kind == "missing":
        return "Add the field."
    if kind == "extra_forbidden":
        return "Remove the field; the API's documentation lists those there are."
    if kind in {"json_invalid", "model_attributes_type"}:
        return "Send a JSON object with Content-Type: application/json."
    if "expected" in context:
        return f"Use {context['expected']}."
    limits = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
    stated = [f"{words} {context[name]}" for name, words in limits.items() if name in context]
    if stated:
        return f"Give {' and '.join(stated)}."
    if "datetime" in kind or "date" in kind:
        return "Use RFC 3339, with an offset for instants: 2026-03-01T06:00:00Z."
    return f"Give a value that fits: {found['msg']}."


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

        async def send_with_id(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message.get("headers", []), (b"x-request-id", request_id.encode())]
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
