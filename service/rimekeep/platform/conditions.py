"""Changes on condition: whoever edits says which state they saw (RFC 9110, 8.8.3 and 13.1.1; RFC 6585, 3)."""

import hashlib
import re
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Header, Request, Response
from pydantic import BaseModel

from rimekeep.errors import Fault, invalid
from rimekeep.platform.problems import PROBLEM_JSON, Outdated, Problem, Unconditional
from rimekeep.wording import say

CONDITIONAL: dict[int | str, dict[str, Any]] = {
    status: {"model": Problem, "content": {PROBLEM_JSON: {}}, "description": words}
    for status, words in ((412, "Changed meanwhile"), (428, "If-Match is missing"))
}

V = TypeVar("V", bound=BaseModel)
_TAG = r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"'
_TAGS = re.compile(rf"[ \t,]*{_TAG}(?:[ \t]*,[ \t,]*{_TAG})*[ \t,]*")


def etag_of(shown: BaseModel) -> str:
    """Return the strong entity tag of what is shown: the same for as long as every byte of it is."""
    return f'"{hashlib.sha256(shown.model_dump_json().encode()).hexdigest()[:32]}"'


def tagged(response: Response, view: type[V], found: object) -> V:
    """Return what is found as ``view`` shows it, and its tag as the answer's ETag."""
    shown = view.model_validate(found)
    response.headers["ETag"] = etag_of(shown)
    return shown


class Condition:
    """Under which the caller wants a change made."""

    def __init__(
        self,
        request: Request,
        if_match: Annotated[
            str | None,
            Header(description="The ETag it was read under, so that nobody's change is undone unseen."),
        ] = None,
    ) -> None:
        """Read If-Match; several header lines are one list (RFC 9110, 5.3)."""
        self.if_match = ", ".join(request.headers.getlist("if-match")).strip(" \t")

    @property
    def is_named(self) -> bool:
        """Tell whether the caller named any state at all."""
        return bool(self.if_match)

    def check(self, etag: str) -> None:
        """
        Raise unless the state at hand is one the caller named.

        Call it with the thing locked. Weak tags never match, as RFC 9110 has it for If-Match.
        """
        if not self.is_named:
            raise Unconditional(
                "precondition-required",
                say(
                    "It is not said which state the change was made for; somebody else's could be undone "
                    "unseen."
                ),
                (
                    Fault(
                        "If-Match",
                        say("The header is missing."),
                        say("Read it first; send the answer's ETag as If-Match."),
                    ),
                ),
            )
        if self.if_match == "*":
            return
        if not _TAGS.fullmatch(self.if_match):
            raise invalid(
                "If-Match",
                say("It is no list of entity tags."),
                say('Send the ETag as it came, "quotes" too.'),
            )
        if etag not in re.findall(_TAG, self.if_match):
            raise Outdated(
                "changed-meanwhile",
                say("It was changed since it was read; nothing was done."),
                (Fault("If-Match", say("It names another state."), say("Read it again, then decide anew.")),),
            )

    def require(self, view: type[BaseModel], found: object) -> None:
        """Check it of what is found, locked, as ``view`` shows it."""
        self.check(etag_of(view.model_validate(found)))


ConditionDep = Annotated[Condition, Depends()]
