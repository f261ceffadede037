"""The page of the site itself."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access import schemas
from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.retention import Jurisdiction
from rimekeep.access.core.roles import Role
from rimekeep.access.queries import site_of
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import SessionDep
from rimekeep.web.setup.showing import may, show
from rimekeep.web.signed import SignedIn

router = APIRouter()


@router.get("/sites")
def show_site(request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show the site of whoever asks; nobody sees another one."""
    own = site_of(session, caller.site_id)
    return show(
        request,
        session,
        caller,
        "site",
        etag=etag_of(schemas.SiteOut.model_validate(own)),
        promises=list(PromisesBy),
        jurisdictions=list(Jurisdiction),
        may_edit=may(caller, Role.QA),
        may_open=may(caller),
    )
