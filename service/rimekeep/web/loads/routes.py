"""Addresses of the dispatcher's pages."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.web.asked import day_of
from rimekeep.web.loads import views
from rimekeep.web.rendering import render
from rimekeep.web.signed import SignedIn

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@router.get("/loads")
def show_day(
    request: Request,
    session: SessionDep,
    now: Now,
    caller: SignedIn,
    on: Annotated[str, Query(max_length=10)] = "",
) -> HTMLResponse:
    """Show a day's loads; a day that is none is today."""
    return render(
        request, "loads.html", {"caller": caller, **views.day_view(session, caller, now, day_of(on))}
    )


@router.get("/loads/trips/{trip_id}")
def show_trip(request: Request, session: SessionDep, caller: SignedIn, trip_id: Id) -> HTMLResponse:
    """Show one trip's deck and what follows from it."""
    return render(request, "trip.html", {"caller": caller, **views.trip_page(session, caller, trip_id)})


@router.get("/loads/trips/{trip_id}/door")
def show_door(request: Request, session: SessionDep, caller: SignedIn, trip_id: Id) -> HTMLResponse:
    """Show what is loaded next, for whoever stands at the door."""
    return render(request, "door.html", {"caller": caller, **views.door_page(session, caller, trip_id)})
