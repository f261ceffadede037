"""The pages of traces and recalls. What they show is what the service answers to programs."""

from http import HTTPStatus
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import PageDep
from rimekeep.platform.schemas import Id
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import HERE, QaState
from rimekeep.tracing import routes as traces
from rimekeep.tracing.dependencies import Form
from rimekeep.tracing.recall import queries as recalls
from rimekeep.tracing.recall import routes as recalling
from rimekeep.tracing.recall.core.states import Ending, Way
from rimekeep.web.rendering import render
from rimekeep.web.setup.queries.choices import measured_zones
from rimekeep.web.signed import SignedIn
from rimekeep.web.tracing.queries import find

# Rows of a table a person reads; the whole of it is in the CSV.
MOST_ROWS = 200
MAY_RECALL = frozenset({Role.QA, Role.LEAD, Role.ADMIN})
MAY_JUDGE = frozenset({Role.QA, Role.ADMIN})
# What may be said where another word holds; a rejection is for good.
NEXT_WORDS = {QaState.HELD: ["release", "reject"], QaState.RELEASED: ["hold", "reject"], QaState.REJECTED: []}
MAY_SEE_RECALLS = MAY_RECALL | {Role.AUDITOR}

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


def local(session: SessionDep, caller: SignedIn) -> ZoneInfo:
    """Return the time zone of the caller's site."""
    return ZoneInfo(site_of(session, caller.site_id).time_zone)


ZoneDep = Annotated[ZoneInfo, Depends(local)]


def _words(caller: Caller, now: str) -> list[str]:
    """Return what somebody may say of a lot or a unit: QA all of it, the lead only that it is on hold."""
    words = NEXT_WORDS[QaState(now)]
    if not caller.roles.isdisjoint(MAY_JUDGE):
        return words
    return [one for one in words if one == "hold" and Role.LEAD in caller.roles]


@router.get("/trace")
def look_for(
    request: Request,
    session: SessionDep,
    caller: SignedIn,
    q: Annotated[str, Query(max_length=100)] = "",
) -> Response:
    """Find something; a single find leads straight to its page."""
    found = find(session, caller.site_id, q) if q.strip() else None
    if found and found.only:
        return RedirectResponse(found.only.address, HTTPStatus.SEE_OTHER)
    may_see = not caller.roles.isdisjoint(MAY_SEE_RECALLS)
    return render(request, "trace/find.html", {"caller": caller, "q": q, "found": found, "may_see": may_see})


@router.get("/trace/lots/{lot_id}")
def show_lot(request: Request, session: SessionDep, caller: SignedIn, zone: ZoneDep, lot_id: Id) -> Response:
    """Show where a lot went."""
    told = traces.trace_lot(lot_id, session, caller, Form.JSON)
    lot = stock.lot(session, caller.site_id, lot_id)
    context = {
        "caller": caller,
        "zone": zone,
        "told": told,
        "lot": lot,
        "words": _words(caller, lot.qa_state),
        "picture": f"/v1/lots/{lot_id}/trace",
        "most": MOST_ROWS,
        "may_recall": not caller.roles.isdisjoint(MAY_RECALL),
    }
    return render(request, "trace/lot.html", context)


@router.get("/trace/units/{sscc}")
def show_unit(
    request: Request, session: SessionDep, caller: SignedIn, zone: ZoneDep, sscc: traces.Sscc
) -> Response:
    """Show where what is on a unit came from and went."""
    told = traces.trace_unit(sscc, session, caller, Form.JSON)
    unit = stock.unit_view(session, stock.unit_by_sscc(session, caller.site_id, sscc))
    is_here = unit.state in HERE
    context = {
        "caller": caller,
        "zone": zone,
        "told": told,
        "picture": f"/v1/units/{sscc}/trace",
        "most": MOST_ROWS,
        "unit": unit,
        "is_here": is_here,
        "place": stock.zone(session, caller.site_id, unit.zone_id).name,
        "words": _words(caller, unit.qa_state) if is_here else [],
        "may_count": is_here and not caller.roles.isdisjoint(MAY_RECALL),
        "may_destroy": is_here and not caller.roles.isdisjoint(MAY_JUDGE),
    }
    return render(request, "trace/unit.html", context)


@router.get("/trace/customers/{customer_id}")
def show_customer(
    request: Request, session: SessionDep, caller: SignedIn, zone: ZoneDep, customer_id: Id
) -> Response:
    """Show which lots a customer got."""
    told = traces.trace_customer(customer_id, session, caller, Form.JSON, None, None)
    picture = f"/v1/customers/{customer_id}/trace"
    context = {"caller": caller, "zone": zone, "told": told, "picture": picture, "most": MOST_ROWS}
    return render(request, "trace/customer.html", context)


@router.get("/trace/recalls")
def show_recalls(
    request: Request, session: SessionDep, caller: SignedIn, zone: ZoneDep, asked: PageDep
) -> Response:
    """Show every recall and drill, and how to begin one."""
    context = {
        "caller": caller,
        "zone": zone,
        "rows": asked.rows(session, recalls.recalls(caller.site_id)),
        "more": asked.page([]).next_cursor,
        "zones": measured_zones(session, caller.site_id),
        "may_recall": not caller.roles.isdisjoint(MAY_RECALL),
        "may_see": not caller.roles.isdisjoint(MAY_SEE_RECALLS),
    }
    return render(request, "trace/recalls.html", context)


@router.get("/trace/recalls/{recall_id}")
def show_recall(
    request: Request, session: SessionDep, now: Now, caller: SignedIn, zone: ZoneDep, recall_id: Id
) -> Response:
    """Show one recall: what it reaches, who has what, and the next step."""
    if caller.roles.isdisjoint(MAY_SEE_RECALLS):
        return render(request, "trace/not_yours.html", {"caller": caller}, HTTPStatus.FORBIDDEN)
    context = {
        "caller": caller,
        "zone": zone,
        "told": recalling.show_recall(recall_id, session, now, caller),
        "customers": recalling.list_recall_customers(recall_id, session, now, caller),
        "ways": list(Way),
        "endings": list(Ending),
        "may_recall": not caller.roles.isdisjoint(MAY_RECALL),
        "may_close": not caller.roles.isdisjoint({Role.QA, Role.ADMIN}),
        "most": MOST_ROWS,
    }
    return render(request, "trace/recall.html", context)
