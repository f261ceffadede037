"""Who works here and with what: people, handhelds, gateways, how they come in, how they are shut out."""

from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access import queries, schemas
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.errors import missing
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import PageDep
from rimekeep.platform.schemas import Id
from rimekeep.web.rendering import render
from rimekeep.web.setup.access import ROLE_WORDS, is_one_of, not_yours
from rimekeep.web.signed import SignedIn

router = APIRouter(prefix="/setup", include_in_schema=False, default_response_class=HTMLResponse)
MAY_SEE = frozenset({Role.LEAD})
# Newest first, and no more than a person looks through.
MOST_SESSIONS = 50
# What is offered first of the roles: a person's, a device's.
ROLES = {
    PrincipalKind.PERSON: [role for role in Role if role is not Role.GATEWAY],
    PrincipalKind.DEVICE: [Role.PICKER, Role.GATEWAY],
}
Words = Annotated[str, Query(max_length=100)]


@router.get("/people")
def show_people(
    request: Request, session: SessionDep, now: Now, caller: SignedIn, asked: PageDep, q: Words = ""
) -> HTMLResponse:
    """Show the people of the site and how to invite another."""
    return _list(request, session, now, caller, asked, PrincipalKind.PERSON, q)


@router.get("/devices")
def show_devices(
    request: Request, session: SessionDep, now: Now, caller: SignedIn, asked: PageDep, q: Words = ""
) -> HTMLResponse:
    """Show the handhelds and gateways of the site and how to add another."""
    return _list(request, session, now, caller, asked, PrincipalKind.DEVICE, q)


def _list(
    request: Request,
    session: Session,
    now: Now,
    caller: Caller,
    asked: PageDep,
    kind: PrincipalKind,
    q: str,
) -> HTMLResponse:
    if not is_one_of(caller, MAY_SEE):
        return not_yours(request, caller, MAY_SEE)
    rows = asked.rows(session, queries.principals(caller.site_id, kind, named=q.strip()))
    context = {
        **_shared(session, caller, kind),
        "rows": rows,
        "more": asked.page([]).next_cursor,
        "q": q.strip(),
        "ways": queries.ways_in(session, [row.id for row in rows], now),
    }
    return render(request, "setup/people.html", context)


@router.get("/people/{principal_id}")
def show_person(
    principal_id: Id, request: Request, session: SessionDep, now: Now, caller: SignedIn
) -> HTMLResponse:
    """Show one person: roles, ways in, where they are signed in."""
    return _one(request, session, now, caller, PrincipalKind.PERSON, principal_id)


@router.get("/devices/{principal_id}")
def show_device(
    principal_id: Id, request: Request, session: SessionDep, now: Now, caller: SignedIn
) -> HTMLResponse:
    """Show one handheld or gateway: roles, its token, where it is signed in."""
    return _one(request, session, now, caller, PrincipalKind.DEVICE, principal_id)


def _one(
    request: Request, session: Session, now: Now, caller: Caller, kind: PrincipalKind, principal_id: int
) -> HTMLResponse:
    if not is_one_of(caller, MAY_SEE):
        return not_yours(request, caller, MAY_SEE)
    found = queries.principal(session, caller.site_id, principal_id)
    if found.kind != kind:
        raise missing(kind.value, principal_id)
    shared = _shared(session, caller, kind)
    context = {
        **shared,
        "one": found,
        "etag": etag_of(schemas.PrincipalOut.model_validate(found)),
        "way": queries.ways_in(session, [found.id], now)[found.id],
        "sessions": queries.newest_sessions(session, found.id, MOST_SESSIONS) if shared["may_change"] else [],
        "now": now,
        "is_self": found.id == caller.id,
    }
    return render(request, "setup/principal.html", context)


def _shared(session: Session, caller: Caller, kind: PrincipalKind) -> dict[str, Any]:
    return {
        "caller": caller,
        "zone": ZoneInfo(queries.site_of(session, caller.site_id).time_zone),
        "may_change": Role.ADMIN in caller.roles,
        "is_person": kind is PrincipalKind.PERSON,
        "here": f"/setup/{'people' if kind is PrincipalKind.PERSON else 'devices'}",
        "roles": ROLES[kind],
        "words": ROLE_WORDS,
    }
