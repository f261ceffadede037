"""A picker's bad stops in a real browser: broken cases, a pallet not there, another one taken, the list handed back."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from builders.browser import PHONE, visiting
from builders.demo import Demo
from builders.server import Http, Process
from web.test_pick import Phone, a_list_to_pick, lead, stock_of

__all__ = ["lead"]
GOOD, CODE, SCAN = "Good cases you took", "Check code of the bay", "Scan of what you took"


TRIES = 60


def stop_shown(phone: Phone, list_id: int, *reported: dict[str, Any]) -> dict[str, Any]:
    """
    The stop on the screen; several may be at one pallet.

    The other stops of a pallet ``reported`` as not there are served from elsewhere soon after; a page loaded anew
    asks what became of them.
    """
    stopped = {one["sscc"] for one in reported}
    for _ in range(TRIES):
        if reported:
            phone.visit.open("/pick")
            phone.page.wait_for_timeout(1_000)
        shown = phone.page.locator("#stop-title [data-fill=stop]").inner_text()
        numbers = re.findall(r"[0-9]+", shown)
        picks = phone.lead.get(f"/v1/pick-lists/{list_id}")["picks"]
        found: list[dict[str, Any]] = [
            one for one in picks if numbers and one["stop"] == int(numbers[0]) and one["state"] == "open"
        ]
        if found and found[0]["sscc"] not in stopped:
            return found[0]
    raise AssertionError("the stops of a pallet that is not there stayed open")


def report(phone: Phone, stop: dict[str, Any], what: str, why: str, fields: dict[str, str]) -> None:
    """Say what is not right with a stop that is on the screen."""
    page = phone.page
    phone.at_stop(stop)
    page.get_by_role("button", name="Something is not right").click()
    page.get_by_label(what, exact=True).check()
    page.get_by_label("Why", exact=True).select_option(why)
    for label, text in fields.items():
        page.get_by_label(label).fill(text)
    page.get_by_role("button", name="Report it").click()
    phone.told(f"Stop {stop['stop']} reported")
    phone.unsent("All sent")
    assert "Not counted" not in page.locator("#notes").inner_text()
    understood = page.get_by_role("button", name="Understood")
    if understood.is_visible():
        understood.click()


@pytest.mark.slow
def test_what_is_not_right_at_a_stop_is_told_and_counted_as_found(
    browser: Browser, demo: Demo, demo_server: Process, lead: Http
) -> None:
    order_id = a_list_to_pick(lead)
    with visiting(browser, demo_server.url, expect_wrong=True, viewport=PHONE, has_touch=True) as visit:
        visit.sign_in(demo.tokens["picker"])
        page = visit.open("/pick")
        phone = Phone(visit, lead)
        page.get_by_role("button", name="Take the next list").click()
        phone.told("is yours")
        [task] = lead.get("/v1/pick-lists?state=taken")["items"]
        first = stop_shown(phone, task["id"])
        code = phone.codes[first["bay_code"]]

        # Scanned in the dialog as a scanner does: the field is filled, and nothing is sent by its Enter.
        phone.at_stop(first)
        page.get_by_role("button", name="Something is not right").click()
        phone.scan(code)
        phone.scan("00" + first["sscc"])
        expect(page.get_by_label(CODE)).to_have_value(code)
        expect(page.get_by_label(SCAN)).to_have_value("00" + first["sscc"])
        visit.assert_accessible()
        page.get_by_role("button", name="Back to the stop").click()
        scanned = {CODE: code, SCAN: "00" + first["sscc"]}
        broken = {**scanned, GOOD: "1", "Broken cases, set aside": "1"}
        report(phone, first, "Broken cases", "broken or leaking", broken)

        missing = stop_shown(phone, task["id"])
        code = phone.codes[missing["bay_code"]]
        report(phone, missing, "Pallet not there", "bay is empty", {CODE: code})

        other = stop_shown(phone, task["id"], missing)
        [offer, *_] = lead.get(f"/v1/picks/{other['id']}/substitutes")
        standing = stock_of(lead, {offer["sscc"]})
        phone.at_stop(other)
        page.get_by_role("button", name="Something is not right").click()
        page.get_by_label("Took another pallet").check()
        page.get_by_role("button", name="Which may I take?").click()
        expect(page.locator("#offers")).to_contain_text(f"ends in {offer['sscc'][-6:]}")
        page.get_by_role("button", name="Back to the stop").click()
        taken = {
            GOOD: str(offer["cases"]),
            CODE: phone.codes[offer["bay_code"]],
            SCAN: "00" + offer["sscc"],
        }
        report(phone, other, "Took another pallet", "cannot be reached safely", taken)

        page.get_by_text("Hand the list back").click()
        page.get_by_role("button", name="Hand it back now").click()
        phone.told("handed back")
        phone.unsent("All sent")
        expect(page.get_by_role("button", name="Take the next list")).to_be_visible()
        shown = lead.get(f"/v1/pick-lists/{task['id']}")
    by_id = {one["id"]: one for one in shown["picks"]}
    assert (by_id[first["id"]]["picked_cases"], by_id[missing["id"]]["picked_cases"]) == (1, 0)
    assert by_id[other["id"]]["picked_cases"] == offer["cases"]
    assert stock_of(lead, {offer["sscc"]}) == {offer["sscc"]: standing[offer["sscc"]] - offer["cases"]}
    assert shown["state"] == "ready"
    assert lead.get(f"/v1/orders/{order_id}")["state"] != "picked"
    assert any(one["kind"] == "stock.damaged" for one in lead.get("/v1/outbox?limit=1000")["items"])
