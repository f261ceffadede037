"""The picker's page: one task fills the screen, and goes on without a network."""

import json
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.web.rendering import STATIC, render, static
from rimekeep.web.signed import SignedIn

PAGE = "/pick"
# What the page is made of; the worker keeps it on the phone.
_OWN = "js/pick"
_SHARED = ("icon.svg", "style.css", "pick.css", "js/ask.js")
_WORKER = "worker.js"
_GREEN, _PAPER = "#14564f", "#fbfaf7"

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@router.get(PAGE)
def show_pick(request: Request, caller: SignedIn) -> HTMLResponse:
    """Show the page; what is to be picked it asks for by script, and keeps."""
    may_pick = not caller.roles.isdisjoint((Role.PICKER, Role.ADMIN))
    return render(request, "pick.html", {"caller": caller, "may_pick": may_pick})


@router.get(f"{PAGE}/{_WORKER}")
def send_worker() -> Response:
    """Return the script that keeps the page, told which files that takes; its scope is the page alone."""
    files = [*_SHARED, *(f"{_OWN}/{file.name}" for file in _scripts())]
    told = f"const FILES = {json.dumps([static(name) for name in files])};\n"
    script = told + (STATIC / _OWN / _WORKER).read_text(encoding="utf-8")
    headers = {"Service-Worker-Allowed": PAGE, "Cache-Control": "no-cache"}
    return Response(script, media_type="text/javascript", headers=headers)


@router.get(f"{PAGE}/app.webmanifest")
def send_manifest() -> Response:
    """Return what a phone needs to put the page among its programs."""
    told = {
        "name": "rimekeep pick",
        "short_name": "Pick",
        "start_url": PAGE,
        "scope": PAGE,
        "display": "standalone",
        "background_color": _PAPER,
        "theme_color": _GREEN,
        "icons": [{"src": static("icon.svg"), "sizes": "any", "type": "image/svg+xml", "purpose": "any"}],
    }
    return Response(json.dumps(told), media_type="application/manifest+json")


def _scripts() -> list[Path]:
    return sorted(file for file in (STATIC / _OWN).glob("*.js") if file.name != _WORKER)
