"""Who is told what of, where and when: receivers, what became of each message, who is on call."""

from http import HTTPStatus
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.queries import principals, site_of
from rimekeep.alerts import queries, schemas
from rimekeep.alerts.core.kinds import KINDS, Severity
from rimekeep.alerts.core.letters import Purpose
from rimekeep.alerts.core.schedule import MAX_ATTEMPTS
from rimekeep.alerts.core.targets import is_mail
from rimekeep.platform.audit import host_alone
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import PageDep
from rimekeep.platform.schemas import Id
from rimekeep.stock.queries import zones
from rimekeep.web.rendering import render
from rimekeep.web.setup.access import is_one_of, not_yours
from rimekeep.web.signed import SignedIn

router = APIRouter(
    prefix="/setup/subscriptions", include_in_schema=False, default_response_class=HTMLResponse
)
MAY_SEE = frozenset({Role.QA, Role.LEAD, Role.AUDITOR})
MAY_PLAN = frozenset({Role.QA, Role.LEAD})
ATTEMPTS_PAGE = 50
# Rows offered to fill in beside those there are.
BLANK_TURNS, BLANK_STEPS = 3, 2


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


KIND_WORDS = {
    "excursion.opened": _("a room is too warm or too cold"),
    "excursion.escalated": _("a room still is, and it gets worse"),
    "excursion.ended": _("a room is right again"),
    "unit.frozen": _("beer may have frozen"),
    "readings.quarantined": _("readings nobody can believe"),
    "waste.expected": _("stock that will not sell in time"),
    "stock.damaged": _("cases were damaged"),
    "stock.destroyed": _("cases were destroyed"),
    "count.differs": _("a count differs"),
    "count.wanted": _("a place is to be counted"),
    "orders.short": _("orders are short"),
    "orders.reallocated": _("orders got other stock"),
    "planning.done": _("a load plan is worked out"),
    "plan.confirmed": _("a load plan is confirmed"),
    "goods.returned": _("a customer sent goods back"),
    "trip.given-up": _("a trip is given up"),
    "trip.departed": _("a truck has left"),
    "trip.delivered": _("a drop is delivered"),
    "trip.empties-corrected": _("empties were counted otherwise"),
    "trip.ended": _("a truck is back"),
    "recall.started": _("a recall has started"),
    "recall.reminded": _("a customer has not answered a recall"),
    "recall.answered": _("a customer answered a recall"),
    "recall.closed": _("a recall is closed"),
    "recall.drilled": _("a recall was practised"),
    "subscription.suspended": _("a receiver is sent nothing more"),
    "alert.unanswered": _("nobody has taken an alert on"),
}
SEVERITY_WORDS = {
    Severity.INFO: _("everything"),
    Severity.WARNING: _("warnings and critical"),
    Severity.CRITICAL: _("critical only"),
}
PURPOSE_WORDS = {
    Purpose.FIRST: _("first word"),
    Purpose.GATHERED: _("what followed"),
    Purpose.ESCALATED: _("nobody had answered"),
    Purpose.TEST: _("test"),
}
WEEKDAYS = (
    _("Monday"),
    _("Tuesday"),
    _("Wednesday"),
    _("Thursday"),
    _("Friday"),
    _("Saturday"),
    _("Sunday"),
)


def stopped_why(status: int, attempt: int, error: str) -> str:
    """
    Return why a receiver is sent nothing more, by the last attempt to reach it.

    Examples
    --------
    >>> stopped_why(410, 1, "")
    'the receiver said that it is gone'
    """
    if status == HTTPStatus.GONE:
        return _("the receiver said that it is gone")
    if attempt >= MAX_ATTEMPTS and error:
        return _("every attempt failed")
    return _("switched off by an admin")


@router.get("")
def show_receivers(
    request: Request, session: SessionDep, now: Now, caller: SignedIn, asked: PageDep
) -> HTMLResponse:
    """Show who is sent alerts, who is on call, and who is next if nobody answers."""
    if not is_one_of(caller, MAY_SEE):
        return not_yours(request, caller, MAY_SEE)
    rows = asked.rows(session, queries.subscriptions(caller.site_id))
    plan = queries.plan_shown(session, now, caller.site_id)
    context = {
        **_shared(session, caller),
        "rows": rows,
        "more": asked.page([]).next_cursor,
        "standings": queries.standings(session, rows),
        "plan": plan,
        "turns": [*plan.turns, *[None] * BLANK_TURNS],
        "steps": [*plan.steps, *[None] * BLANK_STEPS],
        "may_plan": is_one_of(caller, MAY_PLAN),
        "weekdays": WEEKDAYS,
        "one": None,
    }
    return render(request, "setup/alerts.html", context)


@router.get("/{subscription_id}")
def show_receiver(
    subscription_id: Id,
    request: Request,
    session: SessionDep,
    now: Now,
    caller: SignedIn,
    before: Annotated[int | None, Query(ge=1, le=2**63 - 1)] = None,
) -> HTMLResponse:
    """Show one receiver, and every attempt to reach it, the newest first."""
    if not is_one_of(caller, MAY_SEE):
        return not_yours(request, caller, MAY_SEE)
    found = queries.subscription(session, caller.site_id, subscription_id)
    attempts = queries.newest_attempts(
        session, caller.site_id, found.id, before_id=before, most=ATTEMPTS_PAGE + 1
    )
    context = {
        **_shared(session, caller),
        "one": found,
        "etag": etag_of(schemas.WantedOut.model_validate(found)),
        "standing": queries.standings(session, [found])[found.id],
        "attempts": attempts[:ATTEMPTS_PAGE],
        "older": attempts[ATTEMPTS_PAGE - 1][0].id if len(attempts) > ATTEMPTS_PAGE else None,
        "purposes": PURPOSE_WORDS,
        "is_mail": is_mail(found.url),
        "now": now,
    }
    return render(request, "setup/alerts_one.html", context)


def _shared(session: Session, caller: Caller) -> dict[str, Any]:
    people, order = principals(caller.site_id, PrincipalKind.PERSON)
    may_change = Role.ADMIN in caller.roles

    def name_of(url: str) -> str:
        # A path may hold a password of the receiver's own.
        return url.removeprefix("mailto:") if may_change or is_mail(url) else host_alone(url)

    return {
        "caller": caller,
        "zone": ZoneInfo(site_of(session, caller.site_id).time_zone),
        "may_change": may_change,
        "name_of": name_of,
        "kinds": {kind: KIND_WORDS[kind] for kind, one in KINDS.items() if not one.is_for_pages},
        "severities": SEVERITY_WORDS,
        "rooms": zones(session, caller.site_id),
        "people": {one.id: one for one in session.scalars(people.order_by(*order))},
        "stopped_why": stopped_why,
    }
