"""The pages in a real browser, slowed down fourfold: how soon each can be used, its size, if it jumps."""

import csv
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Final
from uuid import uuid4

import httpx2

from rimekeep.cli.bench.ground import served
from rimekeep.cli.demo.files import Scenario, find_folder
from rimekeep.cli.demo.load import load
from rimekeep.cli.demo.story import tell
from rimekeep.cli.output import out
from rimekeep.errors import invalid
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings
from rimekeep.web.frame import PLACES

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SLOWED: Final = 4
SOON_S, LIGHT_BYTES, AT_ONCE_MS = 1.5, 150_000, 100
TURNS, MOVES, STOPS = 3, 12, 4
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage")
QUIET = ("--disable-background-networking", "--disable-component-update", "--disable-sync")
# Usable: the scripts have run and the browser has nothing better to do.
WATCH = """
window.rk = { ready: null, shift: 0, took: [] };
addEventListener("DOMContentLoaded", () => requestIdleCallback(() => { rk.ready = performance.now(); }));
new PerformanceObserver((list) => {
  for (const one of list.getEntries()) if (!one.hadRecentInput) rk.shift += one.value;
}).observe({ type: "layout-shift", buffered: true });
"""
LOADED = """
() => [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
  .reduce((sum, one) => sum + (one.transferSize || 0), 0)
"""
# From the key to the words: "right" or "wrong" is said of what was done.
TIMED = """
([place, key]) => {
  let begun = null;
  addEventListener("keydown", (event) => { if (event.key.startsWith(key)) begun = performance.now(); }, true);
  new MutationObserver(() => {
    if (begun === null || !document.querySelector(place).className) return;
    const was = begun;
    begun = null;
    requestAnimationFrame(() => rk.took.push(performance.now() - was));
  }).observe(document.querySelector(place), { childList: true, attributes: true });
}
"""


@dataclass(frozen=True, slots=True)
class PageFigure:
    """One figure: ``ratio`` of what was measured to what is aimed at."""

    work: str
    ratio: float
    aim: str
    detail: str


def lacking() -> str | None:
    """Return what the machine lacks to measure pages, or None."""
    if find_spec("playwright") is None:
        return "Playwright for Python, which the extra dev brings"
    return None if shutil.which("chromium") else "the browser chromium"


def measure() -> list[PageFigure]:
    """Return the figures of every page and of what people wait for on it."""
    if what := lacking():
        raise invalid("--only pages", f"This machine lacks {what}.", "Install it, or measure other parts.")
    from playwright.sync_api import sync_playwright

    with _told_demo() as (url, tokens), sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=[*ARGUMENTS, *QUIET])
        figures = [_page(browser, url, tokens["lead"], path) for path in _addresses(url, tokens["lead"])]
        figures.append(_moves(browser, url, tokens["dispatcher"]))
        figures += _picks(browser, url, tokens)
        browser.close()
    return figures


@contextmanager
def _told_demo() -> Iterator[tuple[str, dict[str, str]]]:
    with tempfile.TemporaryDirectory(prefix="rimekeep-bench-") as folder:
        file = f"sqlite:///{Path(folder) / 'demo.sqlite3'}"
        database = Database(load_settings(database_url=file, compute_workers=0))
        upgrade(database.engine)
        scenario = Scenario(find_folder(), datetime.now(UTC))
        with out.capture():
            team = load(database, scenario)
            tell(database, scenario, team)
        with served(database) as url:
            yield url, {name.split()[0]: token for name, token in team.tokens.items()}
        database.dispose()


def _ask(url: str, token: str, path: str, body: dict[str, Any] | None = None) -> Any:
    headers = {"Authorization": f"Bearer {token}", "Idempotency-Key": str(uuid4())}
    with httpx2.Client(base_url=url, headers=headers, timeout=60) as client:
        answer = client.get(path) if body is None else client.post(path, json=body)
    answer.raise_for_status()
    return answer.json()


def _addresses(url: str, token: str) -> list[str]:
    trip = _trip(url, token)
    zone, lot = (_ask(url, token, f"/v1/{kind}?limit=1")["items"][0]["id"] for kind in ("zones", "lots"))
    excursion = _ask(url, token, "/v1/excursions?limit=1")["items"][0]["id"]
    below = [f"/loads/trips/{trip}", f"/cold/zones/{zone}", f"/cold/excursions/{excursion}"]
    return [
        *(place.address for place in PLACES),
        *below,
        f"/trace/lots/{lot}",
        "/trace/recalls",
        "/counts",
        "/cold/returns",
        *(f"/setup/{name}" for name in ("start", "products", "customers", "bays", "vehicles", "people")),
        "/help/life",
    ]


def _trip(url: str, token: str) -> int:
    """Return a trip of the day that has not left."""
    plan = _ask(url, token, "/v1/load-plans?limit=1")["items"][0]
    trips = _ask(url, token, f"/v1/load-plans/{plan['id']}")["trips"]
    return int(next(trip["id"] for trip in reversed(trips) if trip["departed_at"] is None))


@contextmanager
def _window(browser: "Browser", url: str, token: str, *, is_phone: bool = False) -> Iterator["Page"]:
    """Open a window of somebody signed in, with nothing kept but the session, and slow it down."""
    size = {"width": 360, "height": 740} if is_phone else {"width": 1280, "height": 900}
    context = browser.new_context(viewport=size)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(f"{url}/sign-in")
    page.get_by_label("Your token").fill(token)
    page.get_by_role("button", name="Sign in with the token").click()
    page.wait_for_url(lambda address: not address.endswith("/sign-in"))
    session = context.new_cdp_session(page)
    session.send("Network.clearBrowserCache")
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    page.add_init_script(WATCH)
    try:
        yield page
    finally:
        context.close()


def _page(browser: "Browser", url: str, token: str, path: str) -> PageFigure:
    found = []
    for _ in range(TURNS):
        with _window(browser, url, token) as page:
            page.goto(f"{url}{path}", wait_until="load")
            # What comes late would jump late. (The pages' policy forbids waiting by a condition in words.)
            page.wait_for_timeout(700)
            while page.evaluate("rk.ready") is None:
                page.wait_for_timeout(100)
            found.append((page.evaluate("rk.ready") / 1e3, page.evaluate(LOADED), page.evaluate("rk.shift")))
    ready_s, loaded = median(one[0] for one in found), max(one[1] for one in found)
    shift = max(one[2] for one in found)
    worst = max(ready_s / SOON_S, loaded / LIGHT_BYTES, 2.0 if shift > 0 else 0.0)
    return PageFigure(
        f"page {path}, slowed down {SLOWED} times: the worse of time against {SOON_S:g} s and size against "
        f"{LIGHT_BYTES // 1000} kB",
        worst,
        "≤ 1, no shift",
        f"usable after {ready_s:.2f} s (median of {TURNS}), {loaded / 1e3:.0f} kB, layout shift {shift:.3f}",
    )


def _moves(browser: "Browser", url: str, token: str) -> PageFigure:
    with _window(browser, url, token) as page:
        page.goto(f"{url}/loads/trips/{_trip(url, token)}")
        page.evaluate(TIMED, ["#verdict", "Arrow"])
        page.locator(".spot:not(.free)").first.focus()
        page.keyboard.press("Enter")
        for number in range(MOVES):
            page.keyboard.press("ArrowRight" if number % 6 < 3 else "ArrowLeft")
            page.wait_for_timeout(400)
        took = page.evaluate("rk.took")
    return _soon(f"a move on the deck judged on the screen, slowed down {SLOWED} times", took)


def _picks(browser: "Browser", url: str, tokens: dict[str, str]) -> list[PageFigure]:
    """Pick a list by scans, half of it without a network."""
    lead = tokens["lead"]
    products = [one["id"] for one in _ask(url, lead, "/v1/products?limit=200")["items"]]
    customer = _ask(url, lead, "/v1/customers?limit=1")["items"][0]["id"]
    day = (datetime.now(UTC) + timedelta(days=1)).date().isoformat()
    lines = [{"product_id": one, "cases": 2, "min_life_days": 0} for one in products]
    body = {"code": "BENCH-1", "customer_id": customer, "ship_on": day, "deliver_on": day, "lines": lines}
    order = _ask(url, lead, "/v1/orders", body)["id"]
    _ask(url, lead, "/v1/allocations", {"order_ids": [order]})
    _ask(url, lead, "/v1/pick-lists", {"order_ids": [order]})
    with (find_folder() / "bays.csv").open(encoding="utf-8") as rows:
        codes = {row["code"]: row["check_code"] for row in csv.DictReader(rows)}
    figures = []
    with _window(browser, url, tokens["picker"], is_phone=True) as page:
        page.goto(f"{url}/pick")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.get_by_role("button", name="Take the next list").click()
        page.locator(".bay strong").wait_for()
        page.evaluate(TIMED, ["#outcome", "Enter"])
        [task] = _ask(url, lead, "/v1/pick-lists?state=taken")["items"]
        half = STOPS // 2
        for where, picks in (
            ("with a network", task["picks"][:half]),
            ("without a network", task["picks"][half:STOPS]),
        ):
            page.context.set_offline(where.startswith("without"))
            for pick in picks:
                _pick(page, codes[pick["bay_code"]], pick["sscc"])
            took = page.evaluate("rk.took.splice(0)")
            if len(took) < 3 * half:
                raise RuntimeError(f"of {3 * half} scans and picks {len(took)} were told on the phone")
            work = f"a scan or a pick told on the phone {where}, slowed down {SLOWED} times"
            figures.append(_soon(work, took))
    return figures


def _pick(page: "Page", code: str, sscc: str) -> None:
    """Pick one stop: the bay's code and the pallet's label by scanner, then the button that it is taken."""
    for text in (code, f"00{sscc}"):
        page.keyboard.type(text)
        page.keyboard.press("Enter")
        page.wait_for_timeout(400)
    page.locator("#take").focus()
    page.keyboard.press("Enter")
    page.wait_for_timeout(400)


def _soon(work: str, took: list[float]) -> PageFigure:
    middle = median(took)
    detail = f"median of {len(took)}: {middle:.0f} ms, longest {max(took):.0f} ms"
    return PageFigure(f"{work}, against {AT_ONCE_MS} ms", middle / AT_ONCE_MS, "≤ 1", detail)
