"""How a page of ours is made: the frame, the language, the units, and where its scripts are."""

import hashlib
from collections.abc import Mapping
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, Template

from rimekeep.access.dependencies import COOKIE
from rimekeep.access.usecases import csrf_token
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.words import KINDS
from rimekeep.platform.language import told
from rimekeep.platform.pages import templates_of
from rimekeep.web.frame import PLACES
from rimekeep.web.language import words_of
from rimekeep.web.view import view_of
from rimekeep.wording import Said

SIGN_IN = "/sign-in"
STATIC = Path(__file__).parent / "static"


@cache
def _version() -> str:
    """Return what changes whenever a file of ours does, so that browsers may keep each for ever."""
    digest = hashlib.sha256()
    for file in sorted(STATIC.rglob("*")):
        if file.is_file():
            digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def static(name: str) -> str:
    """Return the address of a file of ours."""
    return f"/static/{_version()}/{name}"


@cache
def _environment(language: str) -> Environment:
    templates = templates_of("rimekeep.web")
    templates.add_extension("jinja2.ext.i18n")
    templates.install_gettext_translations(words_of(language), newstyle=True)  # type: ignore[attr-defined]
    # What the service words itself is in the page's language too; what is kept as text goes through `said`.
    templates.finalize = lambda value: told(value, language) if isinstance(value, Said) else value
    templates.filters["said"] = lambda text: told(text, language)
    templates.filters["kind"] = lambda kind: KINDS[ExcursionKind(kind)]
    templates.filters["zip_with"] = zip
    templates.globals.update(static=static, places=PLACES)
    return templates


@cache
def _template(language: str, name: str) -> Template:
    return _environment(language).get_template(name)


def said(request: Request, text: str, **values: object) -> str:
    """Return a marked text in the language of whoever asks, with values put in by their names."""
    words = words_of(view_of(request).locale.partition("-")[0]).gettext(text)
    return words % values if values else words


def render(
    request: Request, name: str, context: Mapping[str, Any], status: int = HTTPStatus.OK
) -> HTMLResponse:
    """
    Return a page, in the language and units its reader has chosen.

    Every template knows ``view``, what it is called with, ``csrf`` of the session (empty without one) and
    ``path`` of the page.
    """
    view = view_of(request)
    secret = request.cookies.get(COOKIE, "")
    told = {"view": view, "csrf": csrf_token(secret) if secret else "", "path": request.url.path, **context}
    page = _template(view.locale.partition("-")[0], name).render(told)
    return HTMLResponse(page, status, headers={"Content-Language": view.language, "Vary": "Cookie"})
