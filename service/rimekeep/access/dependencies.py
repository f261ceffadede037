"""Who is asking, and whether their role admits it. Every endpoint declares one of these."""

import hmac
from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import Annotated, Any

from fastapi import Depends, Header, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from sqlalchemy.orm import Session

from rimekeep.access import queries
from rimekeep.access.core.roles import READERS, Caller, Role
from rimekeep.access.usecases import csrf_token, token_hash
from rimekeep.errors import Fault, Forbidden
from rimekeep.platform import audit, idempotency
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.problems import Unauthenticated
from rimekeep.wording import say

COOKIE = "rimekeep_session"
CSRF_HEADER = "X-CSRF-Token"
LONGEST_REASON = 500

bearer = HTTPBearer(auto_error=False, description="A person's or device's token.")


class Admits:
    """
    Dependency that yields the caller if one of ``roles`` is theirs.

    It also starts the request's idempotency key, because a key belongs to a caller. ``changes=False`` marks a
    POST that changes nothing (a preview, a search) and needs no key; ``secret=True`` one whose answer holds a
    token and is never stored.
    """

    def __init__(self, *roles: Role, changes: bool = True, secret: bool = False) -> None:
        """Admit ``roles``."""
        self.roles = frozenset(roles)
        self.changes = changes
        self.secret = secret

    def __call__(
        self,
        request: Request,
        session: SessionDep,
        now: Now,
        credentials: Annotated[HTTPAuthorizationCredentials | None, Depends(bearer)],
        idempotency_key: Annotated[
            str | None,
            Header(
                description="A fresh UUID for each change; the same one when repeating it. Needed on POST."
            ),
        ] = None,
    ) -> Caller:
        """Identify the caller."""
        token = None if credentials is None else credentials.credentials
        return self.admit(request, session, now, token, idempotency_key)

    def admit(
        self, request: Request, session: Session, now: datetime, token: str | None, key: str | None
    ) -> Caller:
        """Return who holds the token, or is signed in, if their role admits them; begin the request's key."""
        begins = request.method == "POST" and self.changes
        caller, found = None, None
        if token is not None:
            hashed = token_hash(token)
            if begins and key:
                caller, found = queries.caller_with_key(session, hashed, now, key)
            else:
                caller = queries.caller_with(session, hashed, now)
        elif secret := request.cookies.get(COOKIE):
            _check_own_page(request, secret)
            hashed = token_hash(secret)
            if begins and key:
                caller, found = queries.caller_signed_in_with_key(session, hashed, now, key)
            else:
                caller = queries.caller_signed_in(session, hashed, now)
        if caller is None:
            raise Unauthenticated
        if not caller.roles & self.roles:
            needed = ", ".join(sorted(self.roles))
            raise Forbidden(
                "role-missing",
                say(
                    "This needs one of the roles {needed}; {name} has none of them.",
                    needed=needed,
                    name=caller.name,
                ),
            )
        if request.method not in {"GET", "HEAD"}:
            audit.comes_from(session, partial(_origin, request, caller, now))
        if begins:
            key = idempotency.usable(key)
            assert found is not None  # there is a key
            idempotency.begin(key, request.state.request_hash, found)
            request.state.answer_is_secret = self.secret
            request.state.idempotent = (session, caller.id, key, now)
        return caller

    def admit_many(
        self, session: Session, now: datetime, asked: Sequence[tuple[str | None, str | None]]
    ) -> list[Caller | None]:
        """
        Return the callers of requests, each with token and key, that may be answered together.

        None for whoever is not let in, asks twice, or whose key was or is being used: :meth:`admit` tells
        them so, one by one. Only of requests that change something and whose answers hold no token.
        """
        hashes = [None if token is None else token_hash(token) for token, _ in asked]
        known = queries.callers_with(session, {one for one in hashes if one is not None}, now)
        callers: list[Caller | None] = []
        seen: set[int] = set()
        for hashed, (_, key) in zip(hashes, asked, strict=True):
            caller = known.get(hashed or "")
            is_plain = caller and caller.roles & self.roles and idempotency.is_usable(key)
            callers.append(caller if caller and is_plain and caller.id not in seen else None)
            if caller is not None:
                seen.add(caller.id)
        asking = [
            (caller.id, key) if caller and key else None
            for caller, (_, key) in zip(callers, asked, strict=True)
        ]
        free = idempotency.begin_all(session, {one for one in asking if one is not None})
        return [caller if one in free else None for caller, one in zip(callers, asking, strict=True)]


def _origin(request: Request, caller: Caller, now: datetime) -> audit.Origin:
    reason = request.headers.get("change-reason")
    return audit.Origin(
        at=now,
        site_id=caller.site_id,
        actor_id=caller.id,
        via=caller.via,
        address=request.client.host if request.client else "",
        request_id=request.scope.get("request_id", ""),
        reason=reason[:LONGEST_REASON] if reason else None,
    )


def _check_own_page(request: Request, secret: str) -> None:
    """
    Raise unless a change asked for by cookie comes from a page of ours.

    A browser sends the cookie whoever makes it ask; only our own pages know what is bound to the session.
    """
    if request.method in {"GET", "HEAD"}:
        return
    given = request.headers.get(CSRF_HEADER, "")
    if not hmac.compare_digest(given.encode(), csrf_token(secret).encode()):
        raise Forbidden(
            "csrf-token-missing",
            say("A change asked for by cookie needs the session's CSRF token; nothing was done."),
            (
                Fault(
                    CSRF_HEADER, say("It is missing or another session's."), say("Take it from GET /v1/me.")
                ),
            ),
        )


def admits(*roles: Role, changes: bool = True, secret: bool = False) -> Any:
    """Return the dependency for ``roles``; admin is always admitted, an auditor only where named."""
    return Depends(Admits(*roles, Role.ADMIN, changes=changes, secret=secret))


ReaderDep = Annotated[Caller, admits(*READERS)]
PreviewDep = Annotated[Caller, admits(*READERS, changes=False)]
LeadDep = Annotated[Caller, admits(Role.LEAD)]
QaDep = Annotated[Caller, admits(Role.QA)]
QaOrLeadDep = Annotated[Caller, admits(Role.QA, Role.LEAD)]
StoreDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD)]
PickerDep = Annotated[Caller, admits(Role.PICKER)]
PickerLooksDep = Annotated[Caller, admits(Role.PICKER, changes=False)]
AuditDep = Annotated[Caller, admits(Role.LEAD, Role.AUDITOR)]
DispatcherDep = Annotated[Caller, admits(Role.DISPATCHER, Role.LEAD)]
GatewayDep = Annotated[Caller, admits(Role.GATEWAY, Role.QA)]
AdminDep = Annotated[Caller, admits()]
TokenGiverDep = Annotated[Caller, admits(secret=True)]
