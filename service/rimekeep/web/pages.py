"""Pages for people: signing in, and the lead's day."""

from collections.abc import Mapping
from http import HTTPStatus
from pathlib import Path
from typing import Annotated
from urllib.parse import parse_qs

from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rimekeep.access.core.roles import READERS, Caller
from rimekeep.access.queries import caller_with
from rimekeep.access.usecases import token_hash
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.words import KINDS
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.pages import templates_of
from rimekeep.web import reference, today

HERE = Path(__file__).parent
COOKIE = "rimekeep_session"
SIGN_IN = "/sign-in"
# Nothing is loaded from elsewhere and no script runs unless it is a file of ours.
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)

pages = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
templates = templates_of("rimekeep.web")
templates.filters["kind"] = lambda kind: KINDS[ExcursionKind(kind)]


class SignInNeeded(Exception):  # noqa: N818 - leads to the sign-in page
    """The page needs somebody signed in."""


def signed_in(request: Request, session: SessionDep) -> Caller:
    """Return who is signed in by the session cookie."""
    caller = caller_with(session, token_hash(request.cookies.get(COOKIE, "")))
    if caller is None or caller.roles.isdisjoint(READERS):
        raise SignInNeeded
    return caller


SignedIn = Annotated[Caller, Depends(signed_in)]


def render(name: str, context: Mapping[str, object], status: int = HTTPStatus.OK) -> HTMLResponse:
    """Return a page."""
    return HTMLResponse(templates.get_template(name).render(context), status)


@pages.get("/")
def show_today(session: SessionDep, now: Now, caller: SignedIn) -> HTMLResponse:
    """Show the lead's day."""
    return render("today.html", {"caller": caller, **today.view(session, caller.site_id, now)})


@pages.get(SIGN_IN)
def ask_to_sign_in() -> HTMLResponse:
    """Show the form."""
    return render("sign_in.html", {"failed": False})


async def form_token(request: Request) -> str:
    """Read the one field of the sign-in form."""
    body = await request.body()
    return parse_qs(body.decode("utf-8", "replace")).get("token", [""])[0].strip()


@pages.post(SIGN_IN)
def sign_in(request: Request, session: SessionDep, token: Annotated[str, Depends(form_token)]) -> Response:
    """Check the token and keep it in a cookie that scripts cannot read and other sites cannot send."""
    if caller_with(session, token_hash(token)) is None:
        return render("sign_in.html", {"failed": True}, HTTPStatus.UNAUTHORIZED)
    response = RedirectResponse("/", HTTPStatus.SEE_OTHER)
    response.set_cookie(
        COOKIE, token, max_age=43_200, httponly=True, samesite="strict", secure=request.url.scheme == "https"
    )
    return response


@pages.post("/sign-out")
def sign_out() -> Response:
    """Forget the cookie."""
    response = RedirectResponse(SIGN_IN, HTTPStatus.SEE_OTHER)
    response.delete_cookie(COOKIE)
    return response


@pages.get("/docs")
def show_reference(request: Request) -> HTMLResponse:
    """Show the API's documentation."""
    document = request.app.openapi()
    version = document["info"]["version"]
    return render("reference.html", {"features": reference.operations(document), "version": version})


def install_pages(app: FastAPI) -> None:
    """Add the pages, their style sheet and their headers."""
    app.include_router(pages)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")

    async def to_sign_in(request: Request, error: Exception) -> Response:
        return RedirectResponse(SIGN_IN, HTTPStatus.SEE_OTHER)

    app.add_exception_handler(SignInNeeded, to_sign_in)
    app.add_middleware(PageHeaders)


class PageHeaders:
    """Middleware: what a browser may do with our answers."""

    ALWAYS = ((b"x-content-type-options", b"nosniff"), (b"referrer-policy", b"same-origin"))
    PAGE = ((b"content-security-policy", POLICY.encode()), (b"cache-control", b"no-store"))

    def __init__(self, app: ASGIApp) -> None:
        """Wrap ``app``."""
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                is_page = any(
                    name == b"content-type" and value.startswith(b"text/html") for name, value in headers
                )
                # A sheet that carries its own style says so itself.
                said = {name for name, _ in headers}
                added = [*self.ALWAYS, *(self.PAGE if is_page else ())]
                message["headers"] = [*headers, *(one for one in added if one[0] not in said)]
            await send(message)

        await self.app(scope, receive, send_with_headers)
