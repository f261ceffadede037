"""The way in and out: signing in by password or token, an invitation's password, signing out."""

import asyncio
import ipaddress
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated, cast
from urllib.parse import parse_qs, urlsplit

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from rimekeep.access import usecases
from rimekeep.access.core.passwords import FEWEST_SIGNS, LONGEST, SHORTEST, matches
from rimekeep.access.core.roles import SignedInBy
from rimekeep.access.core.slowdown import PACES, Way
from rimekeep.access.dependencies import COOKIE
from rimekeep.access.queries import caller_signed_in
from rimekeep.errors import Invalid, Limit, Refused
from rimekeep.platform.database import Database
from rimekeep.platform.http import Now, SessionDep, writing_gate
from rimekeep.platform.problems import limit_headers
from rimekeep.web.rendering import SIGN_IN, render, said

DEVICE_COOKIE = "rimekeep_device"
LONGEST_FORM_BYTES = 10_000


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


NOT_VALID = _(
    "This invitation is not valid: it was used, withdrawn, or has expired. Ask an admin for another."
)

entry = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
# Each takes 32 MiB while it runs; whoever comes on top waits without a thread.
_hashing = ThreadPoolExecutor(2, "password")


@dataclass(frozen=True, slots=True)
class Form:
    """What a form sent; fields that are not there are empty."""

    fields: dict[str, str]

    def __getitem__(self, name: str) -> str:
        """Return a field."""
        return self.fields.get(name, "")


class FromElsewhere(Exception):  # noqa: N818 - answered with a page
    """A form that another site's page has sent."""


async def read_form(request: Request) -> Form:
    """Read a form of ours; one that a page of another site sends is refused (it may not sign anybody in)."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is None and origin is not None:
        # An older browser; a proxy in front must leave the host's name as it is.
        site = "same-origin" if urlsplit(origin).netloc == request.headers.get("host") else "cross-site"
    if site in {"cross-site", "same-site"}:
        raise FromElsewhere
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > LONGEST_FORM_BYTES:
            return Form({})
    fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=10) if body.count(b"&") < 10 else {}
    return Form({name: values[0].replace("\x00", "") for name, values in fields.items()})


FormDep = Annotated[Form, Depends(read_form)]


def visitor(request: Request) -> usecases.Visitor:
    """Return where a request comes from."""
    return usecases.Visitor(
        address=request.client.host if request.client else "",
        agent=request.headers.get("user-agent", ""),
        device=request.cookies.get(DEVICE_COOKIE, ""),
    )


VisitorDep = Annotated[usecases.Visitor, Depends(visitor)]


def is_loopback(host: str | None) -> bool:
    """Tell whether a host is this machine itself, where there is no line to listen on."""
    try:
        return host == "localhost" or ipaddress.ip_address(host or "").is_loopback
    except ValueError:
        return False


def let_in(request: Request, opened: usecases.Opened) -> Response:
    """Return the first page's address, with cookies that scripts cannot read."""
    response = RedirectResponse("/", HTTPStatus.SEE_OTHER)
    is_secure = not is_loopback(request.url.hostname)
    for name, value, age_s in (
        (COOKIE, opened.secret, usecases.SESSION_LASTS_S),
        (DEVICE_COOKIE, opened.device, usecases.BROWSER_KNOWN_S),
    ):
        response.set_cookie(name, value, max_age=age_s, httponly=True, samesite="lax", secure=is_secure)
    return response


def refused(
    request: Request, words: str, status: HTTPStatus, headers: dict[str, str] | None = None
) -> Response:
    """Return the form again, with what was wrong."""
    response = _form(request, words, status)
    response.headers.update(headers or {})
    return response


def _form(request: Request, wrong: str | None, status: HTTPStatus) -> HTMLResponse:
    has_sign_on = request.app.state.settings.sign_on_issuer is not None
    return render(request, "sign_in.html", {"wrong": wrong, "has_sign_on": has_sign_on}, status)


@entry.get(SIGN_IN)
def ask_to_sign_in(request: Request) -> HTMLResponse:
    """Show the form."""
    return _form(request, None, HTTPStatus.OK)


@entry.post(SIGN_IN)
async def sign_in(request: Request, now: Now, form: FormDep, who: VisitorDep) -> Response:
    """
    Check a token, or a login and its password, and open a session.

    The try is counted in a transaction of its own before the password is looked at, and no transaction is
    open while that goes on, which takes long on purpose.
    """
    database = cast(Database, request.app.state.database)

    def by_token() -> usecases.Opened | None:
        with database.transaction() as session:
            return usecases.open_session_by_token(session, now, who, token=form["token"].strip())

    def begin() -> usecases.Attempt:
        with database.transaction() as session:
            site_code = form["site"].strip() or None
            return usecases.begin_attempt(session, now, who, login=form["login"], site_code=site_code)

    def complete(is_right: bool) -> usecases.Opened | None:
        with database.transaction() as session:
            return usecases.complete_attempt(session, now, who, attempt, matches=is_right)

    if form["token"]:
        async with writing_gate(request):
            opened = await run_in_threadpool(by_token)
        if opened is None:
            return refused(
                request,
                said(
                    request,
                    _(
                        "This token is not known here. Check it for missing characters, or ask an admin "
                        "for a new one."
                    ),
                ),
                HTTPStatus.UNAUTHORIZED,
            )
        return let_in(request, opened)
    async with writing_gate(request):
        attempt = await run_in_threadpool(begin)
    told = limit_headers(Limit("sign-in", PACES[Way.NAME].free, attempt.left, attempt.wait_s))
    if attempt.wait_s:
        return refused(
            request,
            said(request, _("Too many tries. Wait %(wait)s seconds, then try again."), wait=attempt.wait_s),
            HTTPStatus.TOO_MANY_REQUESTS,
            told,
        )
    # Longer ones are nobody's: hashing them would only keep others waiting.
    password = form["password"][:500]
    loop = asyncio.get_running_loop()
    is_right = await loop.run_in_executor(_hashing, matches, password, attempt.stored)
    async with writing_gate(request):
        opened = await run_in_threadpool(complete, is_right)
    if opened is None:
        return refused(
            request,
            said(
                request,
                _(
                    "This login and password do not go together. If you work at several sites, name the "
                    "site too."
                ),
            ),
            HTTPStatus.UNAUTHORIZED,
            told,
        )
    return let_in(request, opened)


@entry.post("/sign-out")
def sign_out(request: Request, session: SessionDep, now: Now, form: FormDep) -> Response:
    """End the session, if a page of ours asks, and forget its cookie."""
    secret = request.cookies.get(COOKIE, "")
    caller = caller_signed_in(session, usecases.token_hash(secret), now)
    if caller is not None and form["csrf"] == usecases.csrf_token(secret):
        usecases.end_session(session, now, caller, int(caller.via.split()[1]))
    response = RedirectResponse(SIGN_IN, HTTPStatus.SEE_OTHER)
    response.delete_cookie(COOKIE)
    return response


@entry.get("/invitation")
def show_invitation(request: Request, code: str = "") -> HTMLResponse:
    """Show the form for a first password; looking at it uses nothing up."""
    return render(request, "invitation.html", {"code": code[:200], "wrong": None})


@entry.post("/invitation")
def use_invitation(
    request: Request, session: SessionDep, now: Now, form: FormDep, who: VisitorDep
) -> Response:
    """Set the invited person's password and sign them in."""
    shown = {"code": form["code"][:200]}
    if form["password"] != form["again"]:
        wrong = said(request, _("The two passwords differ."))
        return render(request, "invitation.html", {**shown, "wrong": wrong}, HTTPStatus.UNPROCESSABLE_ENTITY)
    try:
        holder = usecases.accept_invitation(session, now, code=form["code"], password=form["password"])
    except Refused:
        wrong = said(request, NOT_VALID)
        return render(request, "invitation.html", {"code": "", "wrong": wrong}, HTTPStatus.CONFLICT)
    except Invalid:
        wrong = said(
            request,
            _(
                "This password will not do. Take %(shortest)s to %(longest)s characters, at least %(few)s of "
                "them different, and no name everybody knows."
            ),
            shortest=SHORTEST,
            longest=LONGEST,
            few=FEWEST_SIGNS,
        )
        return render(request, "invitation.html", {**shown, "wrong": wrong}, HTTPStatus.UNPROCESSABLE_ENTITY)
    return let_in(request, usecases.open_session(session, now, holder, who, by=SignedInBy.INVITATION))
