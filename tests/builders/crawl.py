"""Every page there is, found as people find it: by following links."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

from fastapi.routing import APIRoute

from builders.browser import Visit
from builders.demo import Demo
from builders.server import Process
from rimekeep.main import create_app
from rimekeep.platform.settings import load_settings

# Served by the pages' modules, but nothing to look at.
_NOT_PAGES = re.compile(r"^/(v1|static|docs|openapi)|^/sign-on|\.(pdf|csv|json|svg|js|webmanifest)$")
_LEFT_OPEN = re.compile(r"(?<=/)(\d+|\{[^}]+\})(?=/|$)")


def kind_of(path: str) -> str:
    """Return a page's address with its numbers left open: all trips are one kind of page."""
    return _LEFT_OPEN.sub("N", path)


def kinds_served() -> set[str]:
    """Return every kind of page the program serves, as its own table of routes has it."""
    return {
        kind_of(path)
        for path, route in _routes(create_app(load_settings(compute_workers=0)))
        if "GET" in route.methods
        and route.endpoint.__module__.startswith("rimekeep.web")
        and not _NOT_PAGES.search(path)
    }


def _routes(router: Any, prefix: str = "") -> Iterator[tuple[str, APIRoute]]:
    for one in router.routes:
        if isinstance(one, APIRoute):
            yield prefix + one.path, one
        elif hasattr(one, "original_router"):
            yield from _routes(one.original_router, prefix + one.include_context.prefix)


def make_the_missing(server: Process, demo: Demo) -> None:
    """Make what the demo has none of: a recall drill and a receiver of alerts, so that each page has one to show."""
    until = datetime.now(UTC)
    asked = {"zone_id": 1, "from_at": f"{until - timedelta(days=3):%FT%TZ}", "until_at": f"{until:%FT%TZ}"}
    with server.client(demo.tokens["qa"]) as qa:
        qa.made("/v1/mock-recalls", asked)
    with server.client(demo.tokens["admin"]) as admin:
        admin.made("/v1/subscriptions", {"url": "https://alerts.example/cold", "kinds": ["excursion.opened"]})


def every_page(visit: Visit, *starts: str) -> dict[str, str]:
    """Return the first page found of each kind, by kind, from the start page and ``starts``."""
    found: dict[str, str] = {}
    waiting = ["/", *starts]
    while waiting:
        answer = visit.page.goto(visit.url + waiting.pop(0))
        if answer is None or answer.status != 200:
            continue
        here = urlsplit(visit.page.url).path
        found.setdefault(kind_of(here), here)
        for link in visit.page.eval_on_selector_all("a[href]", "all => all.map(one => one.href)"):
            path = urlsplit(link).path
            kind = kind_of(path)
            if link.startswith(visit.url) and kind not in found and not _NOT_PAGES.search(path):
                found[kind] = path
                waiting.append(path)
    return found
