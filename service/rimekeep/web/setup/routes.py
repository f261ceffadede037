"""The overview, and the pages below it."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.platform.http import SessionDep
from rimekeep.web.setup import customers, products, queries, sites, vehicles, zones
from rimekeep.web.setup.parts import PARTS
from rimekeep.web.setup.showing import show
from rimekeep.web.signed import SignedIn

router = APIRouter(prefix="/setup", include_in_schema=False, default_response_class=HTMLResponse)


@router.get("")
def show_overview(request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show what there is to set up, and how much of it is there."""
    counts = queries.counts(session, caller.site_id)
    return show(request, session, caller, "overview", parts=PARTS, counts=counts)


for part in (sites, zones, products, customers, vehicles):
    router.include_router(part.router)
