"""The overview, and the pages below it."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access.queries import site_of
from rimekeep.platform.http import SessionDep
from rimekeep.web.rendering import render
from rimekeep.web.setup import queries
from rimekeep.web.setup.parts import PARTS
from rimekeep.web.signed import SignedIn

router = APIRouter(prefix="/setup", include_in_schema=False, default_response_class=HTMLResponse)


@router.get("")
def show_overview(request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show what there is to set up, and how much of it is there."""
    told = {
        "caller": caller,
        "site": site_of(session, caller.site_id),
        "parts": PARTS,
        "counts": queries.counts(session, caller.site_id),
    }
    return render(request, "setup/overview.html", told)
