"""What every page of setting up shows around its own part, and who may change what."""

from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.web.rendering import render
from rimekeep.web.setup.queries.listing import Asked

Text = Annotated[str, Query(max_length=120)]


def show(request: Request, session: Session, caller: Caller, name: str, /, **told: Any) -> HTMLResponse:
    """Return a page of setting up."""
    site = site_of(session, caller.site_id)
    around = {"caller": caller, "site": site, "zone": ZoneInfo(site.time_zone)}
    return render(request, f"setup/{name}.html", {**around, **told})


def may(caller: Caller, *roles: Role) -> bool:
    """Tell whether somebody with one of ``roles``, or an admin, is asking."""
    return not caller.roles.isdisjoint({*roles, Role.ADMIN})


def number_of(text: str) -> int | None:
    """Return the number a form's field holds; its empty choice is none."""
    return min(int(text), 2**63 - 1) if text.isascii() and text.isdigit() else None


def asked_for(q: str, after: str) -> Asked:
    """Return what a list was searched for."""
    return Asked(q.strip(), after)
