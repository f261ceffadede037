"""Orders on pages: found by day and state, looked at with what they lack, entered, served, changed and cancelled."""

from __future__ import annotations

import html5lib
import pytest
from playwright.sync_api import Browser, expect

from builders.api import Api
from builders.browser import PHONE, visiting
from builders.demo import Demo
from builders.floor import make_floor
from builders.server import Process
from rimekeep.platform.database import Database


def page_of(api: Api, role: str, path: str) -> str:
    """A page, held to the HTML standard's parser."""
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    response = api.client.get(path)
    assert response.status_code == 200, (path, role)
    html5lib.HTMLParser(strict=True).parse(response.text)
    return response.text


def test_an_order_tells_what_serves_it_and_what_it_lacks_and_why(api: Api, database: Database) -> None:
    floor = make_floor(api, database)
    product = api.ok("GET", "/v1/products?limit=1")["items"][0]["id"]
    customer = api.made("/v1/customers", {"code": "C9", "name": "Ninth bar (invented)"})
    lines = [{"product_id": product, "cases": 100_000}]
    body = {"code": "BIG-1", "customer_id": customer["id"], "lines": lines}
    order = api.as_("lead").made("/v1/orders", body | {"ship_on": "2026-03-17", "deliver_on": "2026-03-18"})
    assert "Nothing is reserved yet." in page_of(api, "lead", f"/orders/{order['id']}")
    api.as_("lead").made("/v1/allocations", {"order_ids": [order["id"]]})
    shown = api.ok("GET", f"/v1/orders/{order['id']}")
    (line,) = shown["lines"]
    page = page_of(api, "lead", f"/orders/{order['id']}")
    assert f"{line['short']['cases']} cases are short." in page
    assert line["short"]["text"] in page
    assert floor.lot_code in page
    assert {f"/trace/units/{one['sscc']}" in page for one in shown["allocations"]} == {True}
    # A picker reads; nothing is offered that the service would refuse.
    assert "data-ask" in page
    assert "/v1/orders/" not in page_of(api, "picker", f"/orders/{order['id']}")

    for query, is_there in (
        ("", True), ("?day=2026-03-17", True), ("?day=2026-03-18", False), ("?q=big-", True),
        ("?q=nobody", False), ("?state=cancelled", False), ("?day=when&state=what", True),
    ):  # fmt: skip
        assert ("BIG-1" in page_of(api, "lead", f"/orders{query}")) is is_there, query
    assert "No customer has the code" in page_of(api, "lead", "/orders/new?customer=NOBODY")
    form = page_of(api, "lead", f"/orders/new?customer={customer['code']}")
    assert 'data-ask="POST /v1/orders"' in form
    assert "POST /v1/orders" not in page_of(api, "picker", f"/orders/new?customer={customer['code']}")
    assert api.client.get("/orders/999999").status_code == 404


@pytest.mark.slow
def test_the_lead_enters_an_order_on_a_phone_and_sees_it_through(
    demo_server: Process, demo: Demo, browser: Browser
) -> None:
    with (
        demo_server.client(demo.tokens["lead"]) as lead,
        visiting(browser, demo_server.url, viewport=PHONE) as visit,
    ):
        visit.sign_in(demo.tokens["lead"])
        visit.assert_accessible()
        page = visit.open("/orders")
        visit.assert_accessible()
        page.get_by_role("link", name="Enter an order").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("A new order")
        page.get_by_label("The customer's code").fill("C01")
        page.get_by_role("button", name="Go on").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("A new order, Mill Lane bar")
        visit.assert_accessible()
        page.get_by_label("Number of the order").fill("PHONE-1")
        for number, (sku, cases) in enumerate((("LAGER-B24", "3"), ("PALE-C24", "2"))):
            choice = page.locator(f"#line-{number}-product")
            choice.select_option(
                label=next(one for one in choice.locator("option").all_inner_texts() if sku in one)
            )
            page.locator(f"#line-{number}-cases").fill(cases)
        page.get_by_role("button", name="Enter the order").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Order PHONE-1")
        expect(page.get_by_text("Nothing is reserved yet.")).to_have_count(2)
        # The lines may be renewed live before the page is loaded anew.
        with page.expect_navigation():
            page.get_by_role("button", name="Reserve stock for it").click()
        expect(page.locator("#part-lines")).to_contain_text("reserved")
        visit.assert_accessible()

        page.get_by_text("Change the order").click()
        page.get_by_label("Cases of line 1").fill("5")
        page.get_by_label("Cases of line 2").fill("0")
        page.get_by_label("Why it changes").fill("they called (invented)")
        with page.expect_navigation():
            page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("heading", level=3)).to_have_count(1)
        expect(page.get_by_role("heading", level=3)).to_contain_text("5 cases")

        page.get_by_text("Cancel the order").first.click()
        page.get_by_label("Why it is cancelled").fill("they called again (invented)")
        with page.expect_navigation():
            page.get_by_role("button", name="Cancel the order").click()
        expect(page.locator(".facts")).to_contain_text("cancelled")
        expect(page.get_by_role("button", name="Save")).to_have_count(0)
        order = lead.get(f"/v1/orders/{page.url.rsplit('/', 1)[1]}")
    assert (order["code"], order["state"], order["allocations"]) == ("PHONE-1", "cancelled", [])
