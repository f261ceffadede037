"""A picker's shift in a real browser: by scanner and keyboard alone, through a dead network and a reload."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from builders.api import Api
from builders.browser import PHONE, Visit, visiting
from builders.demo import Demo
from builders.server import Http, Process
from rimekeep.errors import Invalid
from rimekeep.stock.core.scan import elements_of
from web.test_pages import parse_strictly, signed_in

BAYS = Path(__file__).parents[2] / "fixtures" / "demo" / "bays.csv"
PRODUCTS = ("LAGER-B24", "PALE-C24", "DOUBLE-C24", "WHEAT-B20")
CASES = 3


@pytest.mark.parametrize(("role", "sees"), [("picker", "Take the next list"), ("lead", "role picker")])
def test_the_page_is_for_pickers_and_says_so(api: Api, role: str, sees: str) -> None:
    signed_in(api, role)
    page = api.client.get("/pick").text
    assert sees in page
    assert ("pick/main.js" in page) == (role == "picker")
    parse_strictly(page)


def test_what_the_worker_keeps_is_there_and_its_scope_is_the_page(api: Api) -> None:
    """W3C Service Workers, 4.4: the scope a script may have is told by Service-Worker-Allowed."""
    response = api.client.get("/pick/worker.js")
    assert response.headers["service-worker-allowed"] == "/pick"
    first = response.text.partition("\n")[0]
    files = json.loads(first.removeprefix("const FILES = ").removesuffix(";"))
    assert any(name.endswith("/pick/main.js") for name in files)
    assert not any(name.endswith("/worker.js") for name in files)
    assert {api.client.get(name).status_code for name in files} == {200}


def test_a_phone_can_put_the_page_among_its_programs(api: Api) -> None:
    """W3C Web Application Manifest: name, icons, start_url within scope, display."""
    response = api.client.get("/pick/app.webmanifest")
    assert response.headers["content-type"].startswith("application/manifest+json")
    told = response.json()
    assert told["start_url"].startswith(told["scope"])
    assert told["display"] == "standalone"
    assert [api.client.get(icon["src"]).headers["content-type"] for icon in told["icons"]] == [
        "image/svg+xml"
    ]


class Phone:
    """The page as a picker with a scanner has it."""

    def __init__(self, visit: Visit, lead: Http) -> None:
        self.visit, self.page, self.lead = visit, visit.page, lead
        with BAYS.open(encoding="utf-8") as rows:
            self.codes = {row["code"]: row["check_code"] for row in csv.DictReader(rows)}

    def scan(self, text: str) -> None:
        """Type like a scanner that is plugged in as a keyboard."""
        self.page.keyboard.type(text)
        self.page.keyboard.press("Enter")

    def told(self, words: str) -> None:
        expect(self.page.locator("#outcome")).to_contain_text(words)

    def unsent(self, words: str) -> None:
        expect(self.page.locator("#unsent")).to_contain_text(words)

    def at_stop(self, pick: dict[str, Any]) -> None:
        expect(self.page.locator('[data-fill="pallet"]')).to_have_text(pick["sscc"][-6:])
        expect(self.page.locator(".bay strong")).to_have_text(pick["bay_code"])

    def to_take(self, pick: dict[str, Any]) -> None:
        """Check code and scan; then there is nothing left but to take."""
        self.at_stop(pick)
        self.scan(self.codes[pick["bay_code"]])
        self.told("Bay noted")
        self.scan("00" + pick["sscc"])
        self.told("Right. Take")

    def take(self, pick: dict[str, Any]) -> None:
        self.to_take(pick)
        # By keyboard alone: the button is the next thing to be reached from the heading on.
        button = self.page.locator("#take")
        button.focus()
        button.press("Enter")
        self.told(f"Stop {pick['stop']} done")


@pytest.fixture
def lead(demo: Demo, demo_server: Process) -> Iterator[Http]:
    with demo_server.client(demo.tokens["lead"]) as http:
        yield http


def a_list_to_pick(lead: Http) -> int:
    """Order a few cases of each product, and make the list; return the order."""
    products = {one["sku"]: one["id"] for one in lead.get("/v1/products?limit=200")["items"]}
    customer = lead.get("/v1/customers?limit=1")["items"][0]["id"]
    day = (datetime.now(UTC) + timedelta(days=1)).date().isoformat()
    lines = [{"product_id": products[sku], "cases": CASES, "min_life_days": 0} for sku in PRODUCTS]
    body = {"code": "SHIFT-1", "customer_id": customer, "ship_on": day, "deliver_on": day, "lines": lines * 2}
    order_id: int = lead.made("/v1/orders", body)["id"]
    lead.made("/v1/allocations", {"order_ids": [order_id]})
    lead.made("/v1/pick-lists", {"order_ids": [order_id]})
    return order_id


def stock_of(lead: Http, ssccs: set[str]) -> dict[str, int]:
    units = {sscc: lead.get(f"/v1/units/{sscc}") for sscc in ssccs}
    return {sscc: sum(one["cases"] for one in unit["contents"]) for sscc, unit in units.items()}


@pytest.mark.slow
def test_a_shift_through_a_dead_network_counts_everything_once(
    browser: Browser, demo: Demo, demo_server: Process, lead: Http
) -> None:
    order_id = a_list_to_pick(lead)
    with visiting(browser, demo_server.url, expect_wrong=True, viewport=PHONE, has_touch=True) as visit:
        errors: list[str] = []
        visit.page.on("pageerror", lambda error: errors.append(str(error)))
        visit.sign_in(demo.tokens["picker"])
        page = visit.open("/pick")
        phone = Phone(visit, lead)
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.get_by_role("button", name="Take the next list").press("Enter")
        phone.told("is yours")
        [task] = lead.get("/v1/pick-lists?state=taken")["items"]
        picks = task["picks"]
        assert len(picks) >= 6, picks
        sources = {pick["sscc"] for pick in picks}
        before = stock_of(lead, sources)
        visit.assert_accessible()

        # The wrong label, the wrong bay, the label too early.
        phone.at_stop(picks[0])
        phone.scan(picks[0]["sscc"])
        phone.told("First read the check code")
        phone.scan("not-it")
        phone.told("is not that of bay")
        phone.scan(phone.codes[picks[0]["bay_code"]])
        phone.told("Bay noted")
        phone.scan(next(pick["sscc"] for pick in picks if pick["sscc"] != picks[0]["sscc"]))
        phone.told("Wrong pallet")
        phone.scan("00" + picks[0]["sscc"])
        phone.told("Right. Take")
        # A trigger pulled twice confirms nothing.
        phone.scan("00" + picks[0]["sscc"])
        phone.told("Scanned already")
        page.locator("#take").dblclick()
        phone.told(f"Stop {picks[0]['stop']} done")
        phone.unsent("All sent")

        # Fewer than asked for.
        phone.to_take(picks[1])
        page.get_by_role("button", name="Something is not right").click()
        visit.assert_accessible()
        page.get_by_label("Good cases you took").fill(str(picks[1]["cases"]))
        page.get_by_role("button", name="Report it").click()
        expect(page.locator("#trouble-wrong")).to_contain_text("that is not fewer")
        page.get_by_label("Good cases you took").fill("1")
        page.get_by_role("button", name="Report it").click()
        phone.told("reported")
        expect(page.locator("#notes")).to_contain_text("held for a count")
        page.get_by_role("button", name="Understood").click()
        phone.unsent("All sent")
        shown = lead.get(f"/v1/pick-lists/{task['id']}")["picks"]
        opened = [pick for pick in shown if pick["state"] == "open"]
        sources |= {pick["sscc"] for pick in opened}
        before |= stock_of(lead, {pick["sscc"] for pick in opened} - set(before))

        # Three stops without network, a reload in the middle of the fourth, and nobody at the other end either.
        visit.context.set_offline(True)
        demo_server.kill()
        for number, pick in enumerate(opened[:3], 1):
            phone.take(pick)
            phone.unsent(f"{number} not sent yet")
        phone.at_stop(opened[3])
        phone.scan(phone.codes[opened[3]["bay_code"]])
        phone.told("Bay noted")
        page.reload()
        phone.unsent("3 not sent yet")
        phone.at_stop(opened[3])
        phone.scan(opened[3]["sscc"])
        phone.told("Right. Take")
        page.locator("#take").click()
        phone.unsent("4 not sent yet")
        demo_server.start()
        visit.context.set_offline(False)
        phone.unsent("All sent")

        for pick in opened[4:]:
            phone.take(pick)
        expect(page.get_by_role("heading", name="Bring it to staging")).to_be_visible()
        phone.unsent("All sent")
        phone.scan("S1-01-0")
        phone.told("Now its check code")
        phone.scan(phone.codes["S1-01-0"])
        phone.told("Put down at bay S1-01-0")
        phone.unsent("All sent")
        expect(page.locator("#notes")).to_be_hidden()
        visit.assert_accessible()
        assert not errors

    assert_counted_once(lead, order_id, task["id"], picks[1]["id"], before)


def assert_counted_once(
    lead: Http, order_id: int, list_id: int, short_id: int, before: dict[str, int]
) -> None:
    """What left each pallet is what its stops say, what came onto others is the same, and the order is picked."""
    picks = lead.get(f"/v1/pick-lists/{list_id}")["picks"]
    assert {pick["state"] for pick in picks} <= {"done", "short"}
    assert [pick["picked_cases"] for pick in picks if pick["id"] == short_id] == [1]
    picked = sum(pick["picked_cases"] for pick in picks)
    assert picked == 2 * CASES * len(PRODUCTS), "what was short came from elsewhere"
    after = stock_of(lead, set(before))
    assert sum(before.values()) - sum(after.values()) == picked
    built = stock_of(lead, {pick["to_planned_sscc"] for pick in picks})
    assert sum(built.values()) == picked
    assert lead.get(f"/v1/orders/{order_id}")["state"] == "picked"


LABELS = [
    "095212340000000013", "00095212340000000013", "(00)095212340000000013",
    "0119521234000010" + "10L101", "0119521234000010" + "17260822" + "10L101",
    "0119521234000010" + "10L101" + "\x1d" + "17260822", "0119521234000010" + "10L101" + "\x1d" + "21A7",
    "]C100095212340000000013", "0119521234000011" + "10L101",
    "095212340000000014", "WIFI:T:WPA;S:inn;;", "",
]  # fmt: skip


def test_the_phone_reads_labels_as_the_service_does(
    browser: Browser, demo: Demo, shown_server: Process
) -> None:
    with visiting(browser, shown_server.url, viewport=PHONE) as visit:
        visit.sign_in(demo.tokens["picker"])
        page = visit.open("/pick")
        visit.assert_accessible()
        assert_main_targets_are_big(page)
        source = page.locator('script[src$="pick/main.js"]').get_attribute("src")
        assert source is not None
        read = "async ([from, texts]) => { const m = await import(from); return texts.map(m.read); }"
        found = page.evaluate(read, [source.replace("main.js", "labels.js"), LABELS])
    for text, label in zip(LABELS, found, strict=True):
        try:
            elements = elements_of(text, reference_year=2026)
        except Invalid:
            assert label is None, text
            continue
        assert label is not None, text
        assert label.get("sscc") == elements.get("00"), text
        assert (label.get("gtin"), label.get("lot")) == (elements.get("01"), elements.get("10")), text


def assert_main_targets_are_big(page: Page) -> None:
    """56 px for what is done in gloves; own convention, above the 44 px of WCAG 2.1's 2.5.5."""
    # What is to be done shows once the script has looked what is kept on the phone.
    expect(page.locator(".main:visible").first).to_be_visible()
    heights = page.evaluate(
        "[...document.querySelectorAll('.main')].filter(b => b.offsetParent).map(b => b.offsetHeight)"
    )
    assert heights
    assert min(heights) >= 56
