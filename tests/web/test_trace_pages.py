"""Where it all went, for people: find, look, draft a recall, and start it with a clear second step."""

import re

import html5lib
import pytest
from playwright.sync_api import Browser, expect

from builders.api import Api
from builders.browser import PHONE, visiting
from builders.demo import Demo
from builders.server import Process


def test_what_is_typed_finds_lots_units_and_customers(shown_server: Process, demo: Demo) -> None:
    with shown_server.client(demo.tokens["lead"]) as lead:
        lot = lead.get("/v1/lots?limit=1")["items"][0]
        unit = lead.get("/v1/units?limit=1")["items"][0]
        client = lead.client
        client.post("/sign-in", data={"token": demo.tokens["lead"]})
        for typed, address in [
            (lot["code"].lower(), f"/trace/lots/{lot['id']}"),
            (f"(00){unit['sscc']}", f"/trace/units/{unit['sscc']}"),
            ("c35", "/trace/customers/"),
        ]:
            found = client.get("/trace", params={"q": typed}, headers={"Authorization": ""})
            while found.is_redirect:
                found = client.get(found.headers["location"], headers={"Authorization": ""})
            assert found.status_code == 200
            assert address in str(found.url) or address in found.text, typed
            html5lib.HTMLParser(strict=True).parse(found.text)
        assert "Nothing begins with that" in client.get("/trace", params={"q": "%_zz"}).text


def test_a_picker_is_told_whose_recalls_are(api: Api) -> None:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens["picker"]})
    assert "Draft a recall" not in api.client.get("/trace/recalls").text
    assert api.client.get("/trace/recalls/1").status_code == 403


@pytest.mark.slow
def test_qa_calls_a_lot_back(demo_server: Process, demo: Demo, browser: Browser) -> None:
    with demo_server.client(demo.tokens["lead"]) as lead:
        told = [lead.get(f"/v1/lots/{one['id']}/trace") for one in lead.get("/v1/lots?limit=30")["items"]]
    lot = max(told, key=lambda one: (one["balance"]["departed"], one["balance"]["at_site"]))
    assert lot["balance"]["departed"] > 0
    with visiting(browser, demo_server.url, viewport=PHONE, expect_wrong=True) as visit:
        visit.sign_in(demo.tokens["qa"])
        page = visit.open("/trace")
        page.get_by_label("Lot code, SSCC, or customer").fill(lot["lot_code"])
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", level=1)).to_have_text(f"Lot {lot['lot_code']}")
        # The picture has come and is one.
        assert (
            page.locator(".flow img").evaluate("image => image.decode().then(() => image.naturalWidth)") > 100
        )
        visit.assert_accessible()

        page.get_by_role("button", name="Draft a recall").click()
        expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(r"^Recall \d+: draft$"))
        visit.assert_accessible()
        page.get_by_label("Why").fill("metal found in a filler valve (invented)")
        page.get_by_label("Your own token once more").fill("rk_not_mine")
        page.get_by_label("I have looked at what this stops").check()
        start = page.get_by_role("button", name="Stop the stock and start the recall")
        start.click()
        expect(page.get_by_role("alert")).to_be_visible()
        # What was typed is still there, and nothing was stopped.
        assert page.get_by_label("Why").input_value().startswith("metal found")
        page.get_by_label("Your own token once more").fill(demo.tokens["qa"])
        start.click()
        expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(r"running$"))
        part = page.locator("details.part").first
        part.get_by_label("Whom you spoke or wrote to").fill("A. Barkeep (invented)")
        part.get_by_role("button", name="Note it").first.click()
        expect(page.locator("details.part").first).to_contain_text("A. Barkeep (invented)")
        visit.assert_accessible()
        number = page.url.rsplit("/", 1)[1]
    with demo_server.client(demo.tokens["qa"]) as qa:
        assert qa.get(f"/v1/recalls/{number}")["state"] == "running"
        held = qa.get(f"/v1/lots/{lot['lot_id']}")
        assert held["qa_state"] == "held"
