"""Who looks at a page: known by the session's cookie, or led to the sign-in page."""

from typing import Annotated

from fastapi import Depends, Request

from rimekeep.access.core.roles import READERS, Caller
from rimekeep.access.dependencies import COOKIE
from rimekeep.access.queries import caller_signed_in
from rimekeep.access.usecases import token_hash
from rimekeep.platform.http import Now, SessionDep


class SignInNeeded(Exception):  # noqa: N818 - leads to the sign-in page
    """The page needs somebody signed in."""


def signed_in(request: Request, session: SessionDep, now: Now) -> Caller:
    """Return who is signed in by the session cookie."""
    caller = caller_signed_in(session, token_hash(request.cookies.get(COOKIE, "")), now)
    if caller is None or caller.roles.isdisjoint(READERS):
        raise SignInNeeded
    return caller


SignedIn = Annotated[Caller, Depends(signed_in)]
