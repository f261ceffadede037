"""Counts that differ from the record, and what the lead says holds; and having places counted."""

from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.picking import queries as picking
from rimekeep.picking.core.counts import CountState, Finding
from rimekeep.picking.queries.counts import CountView
from rimekeep.platform.http import SessionDep
from rimekeep.stock import queries as stock
from rimekeep.web.rendering import render
from rimekeep.web.signed import SignedIn

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
# A count is blind: whoever counts is not shown what is on record.
MAY_SEE = frozenset({Role.DISPATCHER, Role.QA, Role.LEAD, Role.AUDITOR, Role.ADMIN})
MAY_SAY = frozenset({Role.LEAD, Role.ADMIN})
# The rest follows as these are done.
MOST = 50


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


FINDINGS = {
    Finding.AGREES: _("as on record"),
    Finding.IN_HAND: _("pickers had the difference in hand"),
    Finding.FEWER: _("fewer than on record"),
    Finding.MORE: _("more than on record"),
    Finding.UNCLEAR: _("pickers were at it, and that does not explain it"),
    Finding.MISSING: _("not there"),
    Finding.WRONG_BAY: _("should stand elsewhere"),
    Finding.FOUND_AGAIN: _("found again"),
    Finding.NOT_STOCK: _("should be on its way to a customer, or gone"),
    Finding.UNKNOWN_UNIT: _("not known here"),
}


@router.get("/counts")
def show_counts(request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show the counts the lead has to speak on, and those to be done."""
    may_see = not caller.roles.isdisjoint(MAY_SEE)
    told = _told(session, caller) if may_see else {}
    return render(request, "counts.html", {"caller": caller, "may_see": may_see, **told})


def _told(session: Session, caller: Caller) -> dict[str, Any]:
    site = site_of(session, caller.site_id)
    waiting = _views(session, caller.site_id, CountState.WAITING)
    to_do = [
        one for state in (CountState.TAKEN, CountState.OPEN) for one in _views(session, caller.site_id, state)
    ]
    return {
        "site": site,
        "zone": ZoneInfo(site.time_zone),
        "waiting": waiting,
        "to_do": to_do[:MOST],
        "most": MOST,
        "findings": FINDINGS,
        "rooms": [(str(room.id), room.name) for room in stock.rooms(session, caller.site_id)],
        "may_say": not caller.roles.isdisjoint(MAY_SAY),
    }


def _views(session: Session, site_id: int, state: CountState) -> list[CountView]:
    statement, order = picking.counts(site_id, state=state)
    rows = session.scalars(statement.order_by(*order).limit(MOST))
    return picking.count_views(session, list(rows))
