"""A trip in a real browser: measured at the door, let go, refused in part, home again; then goods sent back and judged."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from builders.browser import PHONE, visiting
from builders.demo import Demo
from builders.server import Http, Process

WHY = "two cases crushed (invented)"


def at_the_door(page: Page, picker: Http, trip_id: int) -> None:
    """Measured too warm, measured right, loaded by scan; the rest by another's handheld."""
    due = picker.get(f"/v1/trips/{trip_id}/next")["next"]
    page.get_by_text("Note a temperature").click()
    page.locator("#of").fill(due[0]["sscc"])
    page.get_by_label("Temperature, °C").fill("9,5")
    # What no label of a probe says is not sent at all.
    for probe, fits in (("", False), ("P-7 (invented)", False), ("P-7", True)):
        page.get_by_label("Probe, as its label says").fill(probe)
        assert page.locator("#probe").evaluate("field => field.checkValidity()") is fits
    page.get_by_role("button", name="Keep the temperature").click()
    expect(page.locator("#heard.wrong")).to_contain_text("set it aside in the cold")
    page.get_by_label("Temperature, °C").fill("3,5")
    page.get_by_role("button", name="Keep the temperature").click()
    expect(page.locator("#heard.right")).to_contain_text("may go on board")
    expect(page.locator("#scan")).to_be_focused()
    page.keyboard.type(due[0]["sscc"])
    page.keyboard.press("Enter")
    expect(page.locator("#heard.right")).to_contain_text("is on board")
    due = picker.get(f"/v1/trips/{trip_id}/next")["next"]
    while due:
        due = picker.made(f"/v1/trips/{trip_id}/load", {"scan": due[0]["sscc"]})["next"]


def goes_out(page: Page) -> None:
    """Let it leave; what was typed outlives a refusal."""
    page.get_by_label("If it is not cold enough and leaves all the same").fill("looked at by hand (invented)")
    page.get_by_role("button", name="It leaves now").click()
    expect(page.locator("#part-head .mark")).to_contain_text("left")


def hands_over(page: Page, trip_id: int, picker: Http) -> str:
    """The first drop takes all but one unit; a refusal without a reason is not sent. Return that unit."""
    refused = page.locator(".refusal").first
    sscc = refused.get_attribute("data-sscc") or ""
    refused.get_by_role("checkbox").check()
    page.get_by_role("button", name="Drop 1 is delivered").click()
    expect(page.locator("#told")).to_contain_text("Say why it was refused")
    page.get_by_label(f"Why was {sscc} refused?").fill(WHY)
    page.get_by_label("What the driver or the customer had to say").fill("the rest is fine (invented)")
    page.get_by_role("button", name="Drop 1 is delivered").click()
    expect(page.get_by_role("button", name="Drop 2 is delivered")).to_be_visible()
    expect(page.locator(".drops li").first).to_contain_text("the rest is fine (invented)")
    # Nothing of it stands in the form for the next drop.
    expect(page.get_by_label("What the driver or the customer had to say")).to_have_value("")
    expect(page.locator(".refusal input[type=checkbox]:checked")).to_have_count(0)
    for number in range(2, 1 + page.locator(".drops li").count()):
        picker.made(f"/v1/trips/{trip_id}/drops/{number}/deliver", {})
    return sscc


def comes_home(page: Page) -> None:
    # Told live: others have delivered the rest.
    expect(page.get_by_role("button", name=re.compile("is delivered$"))).to_have_count(0)
    expect(page.get_by_label("Room what came back goes into")).to_be_visible()
    page.get_by_label("Room what came back goes into").select_option(index=1)
    page.get_by_label("Note", exact=True).fill("one unit refused (invented)")
    page.get_by_role("button", name="End the trip").click()
    expect(page.locator("#part-head .mark")).to_have_text("back")


@pytest.mark.slow
def test_a_trip_goes_out_is_refused_in_part_and_comes_home(
    browser: Browser, demo: Demo, demo_server: Process
) -> None:
    with demo_server.client(demo.tokens["picker"]) as picker:
        plan = picker.get("/v1/load-plans?limit=1")["items"][0]
        trips = picker.get(f"/v1/load-plans/{plan['id']}")["trips"]
        trip = max((one for one in trips if one["departed_at"] is None), key=lambda one: one["id"])
        drops = {one["drop"] for one in trip["places"]}
        with visiting(browser, demo_server.url, expect_wrong=True, viewport=PHONE) as visit:
            visit.sign_in(demo.tokens["picker"])
            at_the_door(visit.open(f"/loads/trips/{trip['id']}/door"), picker, trip["id"])
            visit.assert_accessible()
        with visiting(browser, demo_server.url, expect_wrong=True) as visit:
            visit.sign_in(demo.tokens["dispatcher"])
            page = visit.open(f"/loads/trips/{trip['id']}")
            goes_out(page)
            visit.assert_accessible()
            refused = hands_over(page, trip["id"], picker)
            comes_home(page)
            visit.assert_accessible()
        told = picker.get(f"/v1/trips/{trip['id']}/drops")
        assert [(one["sscc"], one["reason"]) for one in told["refusals"]] == [(refused, WHY)]
        assert picker.get(f"/v1/units/{refused}")["qa_state"] == "held"
        assert len(drops) > 1
        kept = next(one for one in trip["places"] if one["sscc"] != refused)
        sent_back(browser, demo_server, demo, kept)


def sent_back(browser: Browser, server: Process, demo: Demo, place: dict[str, str]) -> None:
    """Days later a customer sends a unit back: QA books it by its order, sees it wait, and rejects it."""
    with (
        server.client(demo.tokens["qa"]) as qa,
        visiting(browser, server.url) as visit,
        visiting(browser, server.url) as other,
    ):
        for one in (visit, other):
            one.sign_in(demo.tokens["qa"])
        watching = other.open("/cold/returns")
        expect(watching.locator("#part-list")).to_contain_text("Nothing waits for QA")
        page = visit.open("/cold/returns")
        page.get_by_label("Order, or the unit's SSCC").fill("SO-NONE")
        page.get_by_role("button", name="Find the delivery").click()
        expect(page.locator("main")).to_contain_text("Nothing of SO-NONE")
        page.get_by_label("Order, or the unit's SSCC").fill(place["order_code"])
        page.get_by_role("button", name="Find the delivery").click()
        visit.assert_accessible()
        page.get_by_label("Unit it was handed over on").select_option(place["sscc"])
        page.get_by_label("Why it comes back").fill("the cellar was flooded (invented)")
        page.get_by_role("button", name="It came back").click()
        expect(page.locator("#part-list")).to_contain_text("waits for QA")
        expect(page.locator("#part-list")).to_contain_text(place["sscc"])
        expect(watching.locator("#part-list")).to_contain_text(place["sscc"])
        visit.assert_accessible()
        page.get_by_label("Your word").select_option("reject")
        page.get_by_label("Reason (kept with your name)").fill("stood in water (invented)")
        page.get_by_role("button", name="Put on record").click()
        expect(page.locator("#part-list")).to_contain_text("Nothing waits for QA")
        page.get_by_role("link", name="Everything that came back").click()
        expect(page.locator("#part-list")).to_contain_text("rejected")
        assert qa.get(f"/v1/units/{place['sscc']}")["qa_state"] == "rejected"
