"""Addresses of QA's pages."""

from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.excursions import queries as excursions
from rimekeep.excursions.core.words import CAUTIONS
from rimekeep.loading import queries as loading
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.shelflife import queries as shelflife
from rimekeep.shelflife.core.laws import Form
from rimekeep.shelflife.core.states import CalibrationState
from rimekeep.shelflife.core.trial import Kinetics
from rimekeep.stock import queries as stock
from rimekeep.web.cold import queries, rooms, zone
from rimekeep.web.cold.fit import fit_picture
from rimekeep.web.cold.queries import returns
from rimekeep.web.rendering import render
from rimekeep.web.setup.queries.choices import measured_zones, product_choice
from rimekeep.web.signed import SignedIn
from rimekeep.web.view import view_of

router = APIRouter(prefix="/cold", include_in_schema=False, default_response_class=HTMLResponse)
Text = Annotated[str, Query(max_length=40)]
Key = Annotated[int | None, Query(ge=1, le=2**63 - 1)]
TOUCHED_PAGE = 100


@router.get("")
def show_rooms(request: Request, session: SessionDep, now: Now, caller: SignedIn) -> HTMLResponse:
    """Show the rooms at a glance."""
    return _page(request, "cold_rooms.html", caller, rooms.view(session, caller.site_id, now))


@router.get("/zones/{zone_id}")
def show_zone(
    zone_id: Id,
    request: Request,
    session: SessionDep,
    now: Now,
    caller: SignedIn,
    window: Text = "",
    from_text: Annotated[str, Query(alias="from", max_length=40)] = "",
    until_text: Annotated[str, Query(alias="to", max_length=40)] = "",
    pack: Text = "",
    unit: Text = "",
) -> HTMLResponse:
    """Show one room's temperature."""
    asked = zone.Asked(window, from_text, until_text, pack.strip(), unit.strip())
    is_fahrenheit = view_of(request).units == "us"
    shown = zone.view(session, caller.site_id, now, zone_id, asked, is_fahrenheit=is_fahrenheit)
    return _page(request, "cold_zone.html", caller, {**shown, "may_rule": _is_qa(caller)})


@router.get("/excursions")
def list_excursions(
    request: Request,
    session: SessionDep,
    caller: SignedIn,
    show: Text = "all",
    zone_id: Annotated[str, Query(alias="room", max_length=19)] = "",
    before: Key = None,
) -> HTMLResponse:
    """List excursions, the newest first."""
    # The form's empty choice is every room.
    room = min(int(zone_id), 2**63 - 1) if zone_id.isascii() and zone_id.isdigit() else None
    found = queries.excursion_page(session, caller.site_id, show=show, zone_id=room, before_id=before)
    told = {
        **_where(session, caller),
        "rows": found[: queries.PAGE],
        "next_id": found[queries.PAGE - 1].id if len(found) > queries.PAGE else None,
        "show": show,
        "room": room,
        "before": before,
        "rooms": measured_zones(session, caller.site_id),
    }
    return _page(request, "cold_excursions.html", caller, told)


@router.get("/excursions/{excursion_id}")
def show_excursion(
    excursion_id: Id, request: Request, session: SessionDep, now: Now, caller: SignedIn, after: Key = None
) -> HTMLResponse:
    """Show what happened, what it cost, what was decided and what is left to do."""
    row = excursions.excursion(session, caller.site_id, excursion_id)
    made = excursions.report(session, now, row)
    touched, next_id = _touched(session, caller, excursion_id, after)
    contents, cases = excursions.touched_total(session, excursion_id)
    told = {
        "report": made,
        "facts": made.facts,
        "row": row,
        "zone": made.zone,
        "touched": touched,
        "next_id": next_id,
        "after": after,
        "contents": contents,
        "cases": cases,
        "cautions": made.cautions,
        "may_acknowledge": not caller.roles.isdisjoint({Role.QA, Role.LEAD, Role.ADMIN}),
        "may_decide": _is_qa(caller),
    }
    return _page(request, "cold_excursion.html", caller, told)


@router.get("/returns")
def list_returns(
    request: Request,
    session: SessionDep,
    caller: SignedIn,
    show: Text = "waiting",
    of: Annotated[str, Query(max_length=60)] = "",
    before: Key = None,
) -> HTMLResponse:
    """Show what customers sent back and QA has to judge; with an order's code, what of it may come back."""
    found = returns.returns_page(session, caller.site_id, is_all=show == "all", before_id=before)
    told = {
        **_where(session, caller),
        "rows": found[: returns.PAGE],
        "next_id": found[returns.PAGE - 1].id if len(found) > returns.PAGE else None,
        "is_all": show == "all",
        "of": of.strip(),
        "units": returns.handed_over(session, caller.site_id, of.strip()) if of.strip() else [],
        "rooms": stock.rooms(session, caller.site_id),
        "may_judge": _is_qa(caller),
        "rule": loading.return_rule(session, caller.site_id),
        "usual": (loading.MIN_LIFE_DAYS, loading.MOST_UNMEASURED_S),
        "may_book": not caller.roles.isdisjoint({Role.QA, Role.LEAD, Role.PICKER, Role.ADMIN}),
    }
    return _page(request, "cold_returns.html", caller, told)


@router.get("/calibrations")
def list_calibrations(
    request: Request,
    session: SessionDep,
    now: Now,
    caller: SignedIn,
    before: Key = None,
    product: Annotated[str, Query(max_length=100)] = "",
) -> HTMLResponse:
    """Show how true the sensors are, and what forced ageing gave."""
    where = _where(session, caller)
    fits = queries.fit_page(session, caller.site_id, before)
    told = {
        **where,
        "today": now.astimezone(where["zone"]).date(),
        "now": now,
        "sensors": queries.sensor_rows(session, caller.site_id),
        "fits": fits[: queries.PAGE],
        "next_id": fits[queries.PAGE - 1].id if len(fits) > queries.PAGE else None,
        "products": product_choice(session, caller.site_id, product),
        "forms": list(Form),
        "kinetics": list(Kinetics),
        "may_decide": _is_qa(caller),
    }
    return _page(request, "cold_calibrations.html", caller, told)


@router.get("/calibrations/{calibration_id}")
def show_calibration(
    calibration_id: Id, request: Request, session: SessionDep, caller: SignedIn
) -> HTMLResponse:
    """Show a fit to forced-ageing data beside its samples."""
    row = shelflife.calibration(session, caller.site_id, calibration_id)
    made = shelflife.calibration_view(session, row)
    fit, asked = made["fit"], made["asked"]
    people = queries.names_of(session, {row.author_id, *([row.decided_by] if row.decided_by else [])})
    told = {
        **_where(session, caller),
        "made": made,
        "fit": fit,
        "asked": asked,
        "product": stock.product(session, caller.site_id, row.product_id),
        "author": people[row.author_id],
        "decider": people.get(row.decided_by or 0),
        "picture": fit_picture(
            fit["points"],
            start=fit["start_score"]["value"],
            limit=asked["limit"],
            kinetics=asked["kinetics"],
        ),
        "may_decide": _is_qa(caller) and row.state == CalibrationState.PROPOSED,
    }
    return _page(request, "cold_calibration.html", caller, told)


def _page(request: Request, name: str, caller: Caller, shown: dict[str, Any]) -> HTMLResponse:
    return render(request, name, {"caller": caller, "cautions": CAUTIONS, **shown})


def _where(session: Session, caller: Caller) -> dict[str, Any]:
    site = site_of(session, caller.site_id)
    return {"site": site, "zone": ZoneInfo(site.time_zone)}


def _is_qa(caller: Caller) -> bool:
    return not caller.roles.isdisjoint({Role.QA, Role.ADMIN})


def _touched(
    session: Session, caller: Caller, excursion_id: int, after: int | None
) -> tuple[list[Any], int | None]:
    statement, (content_id,) = excursions.touched_contents(caller.site_id, excursion_id)
    if after is not None:
        statement = statement.where(content_id > after)
    rows = list(session.execute(statement.order_by(content_id).limit(TOUCHED_PAGE + 1)))
    more = len(rows) > TOUCHED_PAGE
    return rows[:TOUCHED_PAGE], rows[TOUCHED_PAGE - 1].content_id if more else None
