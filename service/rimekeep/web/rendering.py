"""How a page of ours is made."""

from collections.abc import Mapping
from http import HTTPStatus

from fastapi.responses import HTMLResponse

from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.words import KINDS
from rimekeep.platform.pages import templates_of

SIGN_IN = "/sign-in"

templates = templates_of("rimekeep.web")
templates.filters["kind"] = lambda kind: KINDS[ExcursionKind(kind)]


def render(name: str, context: Mapping[str, object], status: int = HTTPStatus.OK) -> HTMLResponse:
    """Return a page."""
    return HTMLResponse(templates.get_template(name).render(context), status)
