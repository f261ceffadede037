"""Pages for people: the lead's day, the API's documentation."""

from http import HTTPStatus
from typing import Any

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rimekeep.access.core.roles import Role
from rimekeep.platform.http import Now, SessionDep
from rimekeep.web import (
    choosing,
    cold,
    counts,
    helping,
    loads,
    orders,
    pick,
    reference,
    setup,
    sign_on,
    today,
    tracing,
)
from rimekeep.web.entry import FromElsewhere, entry, refused
from rimekeep.web.nothing import install_nothing
from rimekeep.web.rendering import SIGN_IN, STATIC, render, said
from rimekeep.web.signed import SignedIn, SignInNeeded

# Nothing is loaded from elsewhere and no script runs unless it is a file of ours.
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


SIGN_IN_HERE = _("Sign in by this form.")

pages = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@pages.get("/")
def show_today(request: Request, session: SessionDep, now: Now, caller: SignedIn) -> HTMLResponse:
    """Show the lead's day."""
    may_take_on = not caller.roles.isdisjoint({Role.QA, Role.LEAD, Role.ADMIN})
    shown = today.view(session, caller.site_id, now)
    return render(request, "today.html", {"caller": caller, "may_take_on": may_take_on, **shown})


@pages.get("/docs")
def show_reference(request: Request) -> HTMLResponse:
    """Show the API's documentation."""
    document = request.app.openapi()
    version = document["info"]["version"]
    return render(request, "reference.html", {"features": reference.operations(document), "version": version})


def install_pages(app: FastAPI) -> None:
    """Add the pages, their style sheet and their headers."""
    app.include_router(pages)
    app.include_router(entry)
    app.include_router(sign_on.router)
    app.include_router(choosing.router)
    app.include_router(orders.router)
    app.include_router(cold.router)
    app.include_router(counts.router)
    app.include_router(helping.router)
    app.include_router(loads.router)
    app.include_router(pick.router)
    app.include_router(setup.router)
    app.include_router(tracing.router)
    app.mount("/static/{version}", KeptFiles(directory=STATIC), name="static")

    async def to_sign_in(request: Request, error: Exception) -> Response:
        return RedirectResponse(SIGN_IN, HTTPStatus.SEE_OTHER)

    async def from_elsewhere(request: Request, error: Exception) -> Response:
        return refused(request, said(request, SIGN_IN_HERE), HTTPStatus.FORBIDDEN)

    app.add_exception_handler(SignInNeeded, to_sign_in)
    app.add_exception_handler(FromElsewhere, from_elsewhere)
    install_nothing(app)
    app.add_middleware(PageHeaders)


class KeptFiles(StaticFiles):
    """Files of ours; their address holds a version, so a browser never asks twice."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        """Return a file."""
        response = super().file_response(*args, **kwargs)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


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
