"""
Ways for what comes often and by the thousand: few threads, few statements, nothing in between.

A request passes FastAPI's own stations in about the time the database takes for all it asks.
"""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any, Protocol, cast

import structlog
from fastapi import Request, Response
from sqlalchemy.orm import Session
from starlette.types import ASGIApp, Receive, Scope, Send

from rimekeep.errors import RimekeepError
from rimekeep.platform import database, idempotency
from rimekeep.platform.gathering import Gathering
from rimekeep.platform.http import (
    WRITERS,
    Route,
    answer_of,
    get_now,
    get_settings,
    note_hash,
    read_body,
    remember,
    writing_gate,
)
from rimekeep.platform.language import listen
from rimekeep.platform.settings import Settings

log = structlog.get_logger("rimekeep.http")

_writers = ThreadPoolExecutor(WRITERS, "writer")


@dataclass(frozen=True, slots=True)
class Asked:
    """A request that has come whole."""

    request: Request
    body: bytes
    now: datetime


class Guard(Protocol):
    """What lets a caller in; every endpoint of a :class:`StraightRoute` depends on one."""

    def admit(
        self, request: Request, session: Session, now: datetime, token: str | None, key: str | None
    ) -> Any:
        """Return the caller, and begin the idempotency key; raise if they may not."""

    def admit_many(
        self, session: Session, now: datetime, asked: Sequence[tuple[str | None, str | None]]
    ) -> list[Any]:
        """
        Return the callers of requests, each with token and key, that may be answered together.

        Their keys are begun. None for all others: let :meth:`admit` tell them why, or let them wait.
        """


class StraightRoute(Route):
    """
    A route for what comes often and by the thousand: one thread from the token to the commit.

    Its endpoint is declared like any other, which describes it; but it is called by name with what `read`
    made of the body, and with session, now, caller and settings, without the stations in between. The body
    is read before the transaction begins, so that nobody waits for a lock meanwhile; what is wrong with it
    is told afterwards, to those who are let in.
    """

    @cached_property
    def guard(self) -> Guard:
        """What lets callers in."""
        return cast(
            Guard, next(one.call for one in self.dependant.dependencies if hasattr(one.call, "admit"))
        )

    @staticmethod
    def read(request: Request, body: bytes, now: datetime) -> Any:
        """Return what the body says."""
        raise NotImplementedError

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return a handler that does without FastAPI's."""
        return self.answer

    async def answer(self, request: Request) -> Response:
        """Answer a request."""
        body = await read_body(request)
        now = await get_now(request)
        context = copy_context()
        async with writing_gate(request):
            # The loop's own hop: the other thread pool goes round the loop three times before it begins.
            return await asyncio.get_running_loop().run_in_executor(
                _writers, context.run, self.whole, request, body, now
            )

    def whole(self, request: Request, body: bytes, now: datetime) -> Response:
        """Answer one request in a transaction, which on SQLite others who wait for the writer share."""
        note_hash(request, body)
        read, fault = None, None
        try:
            read = self.read(request, body, now)
        except RimekeepError as error:
            fault = error

        def act(session: Session) -> Response:
            caller = self.guard.admit(
                request,
                session,
                now,
                _token(request),
                request.headers.get("idempotency-key"),
            )
            if fault is not None:
                raise fault
            response: Response = self.endpoint(read, session, now, caller, get_settings(request))
            remember(request, response)
            return response

        source = cast(database.Database, request.app.state.database)
        if fault is None:
            return source.perform(act)
        # It cannot succeed, so it must not share a transaction with others.
        with source.transaction() as session:
            return act(session)


class GatheringRoute(StraightRoute):
    """
    A straight route whose requests gather while others are answered, to be answered in one transaction.

    Of a crowd that asks at once each would otherwise pay for round trips, statements and a commit of its own.
    What all that gathered ask is looked up and written by the same few statements. Whoever is no plain case
    is answered alone afterwards, as on any straight route, and so is everybody if the common way fails. On
    SQLite, whose writers share a transaction anyway, all are answered one by one.
    """

    def together(
        self, session: Session, callers: Sequence[tuple[Any, datetime]], settings: Settings
    ) -> list[Response | None]:
        """Return the answers to callers, each with when they asked; None for whoever must be heard alone."""
        raise NotImplementedError

    async def answer(self, request: Request) -> Response:
        """Answer a request with those that came meanwhile."""
        source = cast(database.Database, request.app.state.database)
        if source.settings.is_sqlite:
            return await super().answer(request)
        asked = Asked(request, await read_body(request), await get_now(request))
        gathered: dict[str, Gathering[Asked, Response]]
        gathered = request.app.state.gatherings.setdefault(asyncio.get_running_loop(), {})
        if self.path not in gathered:
            gathered[self.path] = Gathering(self.answers, writing_gate(request))
        return await gathered[self.path].answer(asked)

    def answers(self, asked: Sequence[Asked]) -> list[Response | Exception]:
        """Answer all of them; an error is returned in the place of the one it is for."""
        answers: list[Response | None] = [None] * len(asked)
        if len(asked) > 1:
            try:
                answers = self._plain(asked)
            except Exception as error:
                if database.is_away(error):
                    # To ask once more for each would only keep them all waiting.
                    return [error] * len(asked)
                log.warning("answered one by one", path=self.path, exc_info=True)
        return [
            self._alone(one) if answer is None else answer for one, answer in zip(asked, answers, strict=True)
        ]

    def _alone(self, one: Asked) -> Response | Exception:
        try:
            return copy_context().run(self._heard, one)
        except Exception as error:  # noqa: BLE001 - raised again where the request is waited for
            return error

    def _heard(self, one: Asked) -> Response:
        """Answer one request in its own language; the thread is shared."""
        listen(one.request)
        return self.whole(one.request, one.body, one.now)

    def _plain(self, asked: Sequence[Asked]) -> list[Response | None]:
        """Answer the plain cases; they are answered when this returns, after the commit, or not at all."""
        app = asked[0].request.app
        source = cast(database.Database, app.state.database)
        answers: list[Response | None] = [None] * len(asked)
        with source.transaction() as session:
            keys = [(_token(one.request), one.request.headers.get("idempotency-key")) for one in asked]
            callers = self.guard.admit_many(session, max(one.now for one in asked), keys)
            let_in = [place for place, caller in enumerate(callers) if caller is not None]
            told = self.together(
                session, [(callers[place], asked[place].now) for place in let_in], app.state.settings
            )
            stored = []
            for place, answer in zip(let_in, told, strict=True):
                if answer is None:
                    continue
                one = asked[place]
                note_hash(one.request, one.body)
                stored.append(
                    (callers[place].id, keys[place][1] or "", answer_of(one.request, answer), one.now)
                )
                answers[place] = answer
            idempotency.remember_all(session, stored)
        return answers


class StraightWay:
    """Middleware: leads requests to straight routes past the search for an address, errors included."""

    def __init__(self, app: ASGIApp, *, routes: Sequence[StraightRoute]) -> None:
        """Know the routes by their addresses, which hold no parameters."""
        self.app = app
        self._routes = {(method, route.path): route for route in routes for method in route.methods or ()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        route = self._routes.get((scope["method"], scope["path"])) if scope["type"] == "http" else None
        if route is None:
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive, send)
        try:
            response = await route.answer(request)
        except Exception as error:
            known = request.app.exception_handlers
            # Whatever has no handler of its own is for the outermost one, which logs it too.
            kind = next((kind for kind in type(error).__mro__ if kind in known), Exception)
            if kind is Exception:
                raise
            response = await known[kind](request, error)
        await response(scope, receive, send)


def _token(request: Request) -> str | None:
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else None
