"""Single sign-on: to the provider, and back."""

import asyncio
import hmac
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from http import HTTPStatus
from typing import TypeVar, cast

import structlog
from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from rimekeep.access import usecases
from rimekeep.access.core.sign_on import LASTS, Account, Begun, NotSignedOn, begun_with
from rimekeep.access.usecases.provider import RETURN_PATH, Provider, ProviderAway, provider_of
from rimekeep.platform.database import Database
from rimekeep.platform.http import Now, writing_gate
from rimekeep.web.entry import VisitorDep, is_loopback, let_in, refused
from rimekeep.web.rendering import said

SIGN_ON = "/sign-on"
SIGN_ON_COOKIE = "rimekeep_sign_on"
LONGEST_WAIT_S = 15.0
LONGEST_CODE = 2000


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


AWAY = _("The company's sign-on does not answer. Sign in with your password or token, or try again later.")
REFUSED = _(
    "This account does not sign anybody in here. Try once more, or ask an admin for an invitation to its "
    "mail address."
)

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
log = structlog.get_logger("rimekeep.sign_on")
Answer = TypeVar("Answer")
# A provider that hangs must not keep the threads that other requests need.
_asking = ThreadPoolExecutor(4, "sign-on")


def _provider(request: Request) -> Provider:
    provider = provider_of(request.app.state.settings)
    if provider is None:
        raise HTTPException(HTTPStatus.NOT_FOUND, "Single sign-on is not set up here.")
    return provider


async def _ask(question: Callable[[], Answer]) -> Answer:
    try:
        asked = asyncio.get_running_loop().run_in_executor(_asking, question)
        return await asyncio.wait_for(asked, LONGEST_WAIT_S)
    except TimeoutError as error:
        raise ProviderAway("no answer in time") from error


@router.get(SIGN_ON)
async def begin(request: Request, now: Now) -> Response:
    """Send a browser to the provider."""
    provider, begun = _provider(request), usecases.begin_sign_on(now)
    try:
        way_in = await _ask(lambda: provider.way_in(begun, now))
    except ProviderAway as error:
        return _away(request, error)
    response = RedirectResponse(way_in, HTTPStatus.SEE_OTHER, {"Cache-Control": "no-store"})
    response.set_cookie(
        SIGN_ON_COOKIE,
        begun.cookie,
        max_age=int(LASTS.total_seconds()),
        path=SIGN_ON,
        httponly=True,
        samesite="lax",
        secure=not is_loopback(request.url.hostname),
    )
    return response


@router.get(RETURN_PATH)
async def come_back(request: Request, now: Now, who: VisitorDep) -> Response:
    """
    Sign in whom the provider vouches for.

    The answer is used up in a transaction of its own before the provider is asked, and none is open
    meanwhile. Whatever comes of it, the browser's cookie is gone.
    """
    provider, database = _provider(request), cast(Database, request.app.state.database)

    def use_up(begun: Begun) -> None:
        with database.transaction() as session:
            usecases.use_up_sign_on(session, now, begun)

    def enter(account: Account) -> usecases.Opened:
        with database.transaction() as session:
            return usecases.open_session_by_account(session, now, who, account)

    try:
        begun = _begun(request, provider, now)
        async with writing_gate(request):
            await run_in_threadpool(use_up, begun)
        told = request.query_params
        code = told.get("code", "")
        if "error" in told or not 0 < len(code) <= LONGEST_CODE:
            raise NotSignedOn(f"no code: {told.get('error', '')[:100]!r}")
        account = await _ask(lambda: provider.account_for(begun, code, told.get("iss"), now))
        async with writing_gate(request):
            opened = await run_in_threadpool(enter, account)
        response = let_in(request, opened)
    except ProviderAway as error:
        response = _away(request, error)
    except NotSignedOn as error:
        log.warning("sign-on refused", reason=str(error), address=who.address)
        response = refused(request, said(request, REFUSED), HTTPStatus.FORBIDDEN)
    response.delete_cookie(SIGN_ON_COOKIE, path=SIGN_ON)
    return response


def _begun(request: Request, provider: Provider, now: Now) -> Begun:
    begun = begun_with(request.cookies.get(SIGN_ON_COOKIE, ""), now)
    state = request.query_params.get("state", "")
    if begun is None or not hmac.compare_digest(state.encode(), begun.state.encode()):
        raise NotSignedOn("this browser has not begun it, or too long ago")
    return begun


def _away(request: Request, error: ProviderAway) -> Response:
    log.warning("sign-on provider away", reason=str(error))
    return refused(request, said(request, AWAY), HTTPStatus.SERVICE_UNAVAILABLE)
