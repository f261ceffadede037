"""Errors as problems (RFC 9457); this module alone knows which error is which status."""

import re
from concurrent.futures import BrokenExecutor
from http import HTTPStatus
from typing import Any, cast

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from rimekeep import errors
from rimekeep.platform import database, idempotency
from rimekeep.platform.language import speech, told_all
from rimekeep.wording import noted, say

log = structlog.get_logger("rimekeep.http")

PROBLEM_JSON = "application/problem+json"


class Unconditional(errors.Invalid):
    """A change that does not say of which state it was thought up."""


class Outdated(errors.Conflict):
    """A change that was thought up of a state that is no more."""


STATUS: dict[type[errors.RimekeepError], int] = {
    errors.Missing: 404,
    errors.Conflict: 409,
    errors.Refused: 409,
    errors.Forbidden: 403,
    errors.TooSoon: 429,
    errors.Invalid: 422,
    errors.Malformed: 400,
    Unconditional: 428,
    Outdated: 412,
}


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
        detail=speech().say(detail),
        instance=f"urn:request:{request.scope.get('request_id', 'unknown')}",
        errors=faults or [],
        data=told_all(data or {}),
    )
    return JSONResponse(content.model_dump(mode="json"), status, headers=headers, media_type=PROBLEM_JSON)


def limit_headers(limit: errors.Limit) -> dict[str, str]:
    """Return how a limit stands (RateLimit fields, an IETF draft), and Retry-After if it is reached."""
    told = {
        "RateLimit-Policy": f'"{limit.policy}";q={limit.quota}',
        "RateLimit": f'"{limit.policy}";r={limit.left};t={limit.wait_s}',
    }
    return told | {"Retry-After": str(limit.wait_s)} if limit.wait_s else told


def install_problems(app: FastAPI) -> None:
    """Teach ``app`` to answer every error as a problem."""

    async def on_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, errors.RimekeepError)
        status = next(STATUS[kind] for kind in type(error).__mro__ if kind in STATUS)
        if error.code == "idempotency-key-missing":
            status = 400
        say_now = speech().say
        faults = [
            FaultOut(field=f.field, detail=say_now(f.detail), mend=say_now(f.mend)) for f in error.faults
        ]
        headers = None if error.limit is None else limit_headers(error.limit)
        return problem(
            request, status, error.code, error.detail, faults=faults, data=error.data, headers=headers
        )

    async def on_replay(request: Request, error: Exception) -> Response:
        assert isinstance(error, idempotency.Replay)
        headers = {"Idempotency-Replayed": "true"}
        return Response(error.body or None, error.status, headers=headers, media_type=error.media_type)

    async def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        faults = [fault_of(cast(dict[str, Any], found)) for found in error.errors()[:50]]
        return problem(
            request, 422, "invalid-input", say("The input cannot be used as it is."), faults=faults
        )

    async def on_unauthenticated(request: Request, error: Exception) -> Response:
        return problem(
            request,
            401,
            "not-signed-in",
            say("Send a valid token: Authorization: Bearer TOKEN."),
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
            say("Somebody else's change came first, or this exists already. Read it again and retry."),
            data={"constraint": named},
        )

    async def on_database(request: Request, error: Exception) -> Response:
        log.error("database not usable", error=type(error).__name__)
        return problem(
            request,
            503,
            "database-unavailable",
            say(
                "The database cannot be used now; nothing was changed. Repeat with the same Idempotency-Key."
            ),
            headers={"Retry-After": "5"},
        )

    async def on_broken_planner(request: Request, error: Exception) -> Response:
        log.error("a planning process was killed")
        return problem(
            request,
            503,
            "planner-stopped",
            say(
                "The planning process was stopped, for want of memory perhaps; nothing was changed. "
                "Ask again."
            ),
            headers={"Retry-After": "5"},
        )

    async def on_anything(request: Request, error: Exception) -> Response:
        return problem(
            request,
            500,
            "internal-error",
            say("Something failed here; it is logged under the id in `instance`."),
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


def fault_of(found: dict[str, Any]) -> FaultOut:
    """Return what pydantic found wrong as a fault; ``loc`` begins with where it was looked for."""
    where = ""
    for part in found["loc"][1:] or found["loc"]:
        where += f"[{part}]" if isinstance(part, int) else f".{part}" if where else str(part)
    message = str(found["msg"])
    detail, _, mend = message.partition(" | ")
    detail = detail.removeprefix("Value error, ")
    say_now = speech().say
    return FaultOut(field=where or "body", detail=say_now(detail), mend=say_now(mend or _mend(found)))


def _mend(found: dict[str, Any]) -> str:
    kind = str(found["type"])
    context = found.get("ctx", {})
    if kind == "missing":
        return say("Add the field.")
    if kind == "extra_forbidden":
        return say("Remove the field; the API's documentation lists those there are.")
    if kind in {"json_invalid", "model_attributes_type"}:
        return say("Send a JSON object with Content-Type: application/json.")
    if "expected" in context:
        return say("Use {expected}.", expected=context["expected"])
    limits = {
        "ge": noted("at least {limit}"),
        "gt": noted("more than {limit}"),
        "le": noted("at most {limit}"),
        "lt": noted("less than {limit}"),
    }
    stated = [say(words, limit=context[name]) for name, words in limits.items() if name in context]
    if len(stated) == 2:
        return say("Give {least} and {most}.", least=stated[0], most=stated[1])
    if stated:
        return say("Give {limit}.", limit=stated[0])
    if "datetime" in kind or "date" in kind:
        return say("Use RFC 3339, with an offset for instants: 2026-03-01T06:00:00Z.")
    return say("Give a value that fits: {msg}.", msg=found["msg"])


# How the checker of requests words what it finds most.
FOUND = (
    noted("Field required"),
    noted("Extra inputs are not permitted"),
    noted("JSON decode error"),
    noted("Input should be {expected}"),
    noted("Input should be a valid integer"),
    noted("Input should be a valid integer, unable to parse string as an integer"),
    noted("Input should be a valid integer, got a number with a fractional part"),
    noted("Input should be a valid number"),
    noted("Input should be a valid number, unable to parse string as a number"),
    noted("Input should be a finite number"),
    noted("Input should be a valid string"),
    noted("Input should be a valid boolean"),
    noted("Input should be a valid boolean, unable to interpret input"),
    noted("Input should be a valid list"),
    noted("Input should be a valid dictionary"),
    noted("Input should be a valid dictionary or object to extract fields from"),
    noted("Input should be a valid date"),
    noted("Input should be a valid date or datetime, {why}"),
    noted("Input should be a valid datetime or date, {why}"),
    noted("Input should be a valid datetime, {why}"),
    noted("Input should be a valid time"),
    noted("Input should be in a valid time format, {why}"),
    noted("Input should have timezone info"),
    noted("Input should be greater than {gt}"),
    noted("Input should be greater than or equal to {ge}"),
    noted("Input should be less than {lt}"),
    noted("Input should be less than or equal to {le}"),
    noted("String should have at least {min_length} characters"),
    noted("String should have at least {min_length} character"),
    noted("String should have at most {max_length} characters"),
    noted("String should match pattern '{pattern}'"),
    noted("List should have at least {min_length} item after validation, not {n}"),
    noted("List should have at least {min_length} items after validation, not {n}"),
    noted("List should have at most {max_length} items after validation, not {n}"),
    noted("input is too short"),
    noted("invalid character in year"),
    noted("unexpected extra characters at the end of the input"),
    noted("Datetimes provided to dates should have zero time - e.g. be exact dates"),
)
