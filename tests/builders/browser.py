"""Debian's Chromium, driven from Python: pages as people get them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    Request,
    expect,
    sync_playwright,
)

# No lookups of its own, no updates, and no acceleration a machine may not have.
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
]  # fmt: skip
# How long anything is waited for: a busy machine is no fault of the page.
PATIENT_MS = 120_000
PHONE = {"width": 360, "height": 740}
NARROWEST = {"width": 320, "height": 640}
DESK = {"width": 1280, "height": 900}
# WCAG 2.2 A and AA, as the engine tags its rules.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@contextmanager
def running_browser() -> Iterator[Browser]:
    """Run the browser until the block ends."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "Chromium is not installed; `sh .ci/browser` does it."
    expect.set_options(timeout=PATIENT_MS)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Visit:
    """One person at one browser: the page, and everything that went wrong in it."""

    page: Page
    context: BrowserContext
    url: str
    wrong: list[str] = field(default_factory=list)

    def sign_in(self, token: str) -> None:
        """Sign in by the form."""
        self.page.goto(f"{self.url}/sign-in")
        # By the field's name: its label is in the reader's language.
        box = self.page.locator("input[name=token]")
        box.fill(token)
        box.press("Enter")
        self.page.wait_for_url(lambda url: not url.endswith("/sign-in"))

    def open(self, path: str) -> Page:
        """Go to a page of ours."""
        self.page.goto(f"{self.url}{path}")
        return self.page

    def assert_accessible(self) -> None:
        """Check the page as it is now with the engine's WCAG 2.2 AA rules, and that nothing overflows sideways."""
        found = Axe().run(self.page, options={"runOnly": {"type": "tag", "values": RULES}})
        told = [
            f"{one['id']}: {one['help']}: {[node['target'] for node in one['nodes']][:3]}"
            for one in found.response["violations"]
        ]
        assert not told, "\n".join(told)
        wide = self.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        assert wide <= 0, f"the page is {wide} px wider than the screen"


@contextmanager
def visiting(browser: Browser, url: str, *, expect_wrong: bool = False, **options: Any) -> Iterator[Visit]:
    """
    Open a window (a context of its own: nothing kept) until the block ends.

    Errors of scripts, refused by the content security policy or not found, fail the test, unless ``expect_wrong``.
    ``options`` are the browser context's: viewport, color_scheme, java_script_enabled, …
    """
    options.setdefault("viewport", DESK)
    context = browser.new_context(**options)
    context.set_default_timeout(PATIENT_MS)
    visit = Visit(context.new_page(), context, url)

    def on_console(message: ConsoleMessage) -> None:
        if message.type == "error":
            visit.wrong.append(message.text)

    def on_failure(request: Request) -> None:
        visit.wrong.append(f"{request.method} {request.url}: {request.failure}")

    visit.page.on("console", on_console)
    visit.page.on("pageerror", lambda error: visit.wrong.append(str(error)))
    visit.page.on(
        "requestfailed", lambda request: None if "/v1/stream" in request.url else on_failure(request)
    )
    try:
        yield visit
    finally:
        context.close()
    assert expect_wrong or not visit.wrong, "\n".join(visit.wrong)
