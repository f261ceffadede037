"""The page on which somebody chooses language and units."""

from http import HTTPStatus

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from rimekeep.access.dependencies import COOKIE
from rimekeep.access.queries import credential_of
from rimekeep.access.usecases import csrf_token
from rimekeep.platform.http import SessionDep
from rimekeep.platform.language import LANGUAGES, VIEW_COOKIE
from rimekeep.web.entry import FormDep, FromElsewhere, is_loopback
from rimekeep.web.rendering import render
from rimekeep.web.signed import SignedIn
from rimekeep.web.view import UNITS, View

YEAR_S = 31_536_000

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@router.get("/view")
def show_choice(request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show what can be chosen, and whoever has a password how to change it."""
    has_password = credential_of(session, caller.id) is not None
    told = {"caller": caller, "languages": LANGUAGES, "has_password": has_password}
    return render(request, "view.html", told)


@router.post("/view")
def choose(request: Request, caller: SignedIn, form: FormDep) -> Response:
    """Keep the choice in this browser."""
    if form["csrf"] != csrf_token(request.cookies[COOKIE]):
        raise FromElsewhere
    response = RedirectResponse("/view", HTTPStatus.SEE_OTHER)
    if form["locale"] in LANGUAGES and form["units"] in UNITS:
        value = View(form["locale"], form["units"]).cookie
        is_secure = not is_loopback(request.url.hostname)
        response.set_cookie(
            VIEW_COOKIE, value, max_age=YEAR_S, httponly=True, samesite="lax", secure=is_secure
        )
    return response
