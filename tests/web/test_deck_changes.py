"""What changes after a day is planned, in a real browser: late orders, a trip given up, empties said anew, stacks by hand."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import delete

from builders.api import Api
from builders.browser import PHONE, Visit, visiting
from builders.grounds import Clock
from builders.loads import DAY, TwoTrips, few, instance, leave, make_day, register_fleet, two_trips
from builders.server import Process, serving
from rimekeep.loading.tables import PlanningJob
from rimekeep.orders.tables import SalesOrder
from rimekeep.platform.database import Database

pytestmark = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
# One lane of five places under 2450 mm, for five pallets that are 1200 mm high with their wood: none needs to be stacked.
# What goes to A may go on top, of what goes to B.
ROWS = [{"x_mm": x_mm, "lanes": 1} for x_mm in (500, 1500, 2500, 3500, 4500)]
BASIC = few(instance("deck_s1_basic"))
LIGHT = {"class": "chilled", "weight_kg": 300, "case_height_mm": 1056, "stop": "A"}
STRONG = {"class": "chilled", "weight_kg": 600, "case_height_mm": 1056, "crush_limit_kg": 500, "stop": "B"}
DECK = BASIC | {
    "truck": BASIC["truck"] | {"rows": ROWS, "body_height_mm": 2600, "roof_gap_mm": 150},
    "pallets": [one | {"id": f"P{k}"} for k, one in enumerate([LIGHT] * 3 + [STRONG] * 2)],
}


def flat_deck(api: Api, database: Database, clock: Clock) -> dict[str, Any]:
    """A draft of one trip, two drops, nothing on top of anything."""
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    plan = api.as_("dispatcher").made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    (trip,) = plan["trips"]
    return trip  # type: ignore[no-any-return]


@pytest.fixture
def server(database_url: str, tmp_path: Path) -> Iterator[Process]:
    """The service beside the test's own. Its jobs rest: by its clock all of this stock is long past its dates."""
    with serving(database_url, tmp_path, warm=True, jobs="false") as running:
        yield running


def signed_in(visit: Visit, token: str) -> None:
    visit.sign_in(token)


@pytest.mark.slow
def test_a_plan_takes_a_late_order_loses_a_trip_and_its_empties_are_said_anew(
    api: Api, database: Database, clock: Clock, server: Process, browser: Browser
) -> None:
    made = two_trips(api, database, clock)
    gone, kept = made.fuller["id"], made.other["id"]
    with visiting(browser, server.url) as visit, visiting(browser, server.url) as other:
        for one in (visit, other):
            signed_in(one, api.tokens["dispatcher"])
        watching = other.open(f"/loads/trips/{kept}")
        expect(watching.locator(".drops li")).to_have_count(1)
        page = visit.open(f"/loads?on={DAY.isoformat()}")
        late = api.ok("GET", f"/v1/orders/{made.day.orders['D']}")["code"]
        _brought_up_to_date(visit, made, late)
        # Who looks at the trip sees the new drop at once.
        expect(watching.locator(".drops li")).to_have_count(2)
        page = visit.open(f"/loads/trips/{gone}")
        _given_up(page)
        visit.assert_accessible()
        page = visit.open(f"/loads?on={DAY.isoformat()}")
        # Its orders wait again.
        page.get_by_text(f"Bring plan {made.plan['id']} up to date").click()
        expect(page.locator("form.amend .tick")).to_have_count(3)
    leave(api, kept)
    with visiting(browser, server.url, viewport=PHONE) as visit:
        signed_in(visit, api.tokens["picker"])
        _empties_corrected(visit, visit.open(f"/loads/trips/{kept}"))
    told = api.ok("GET", f"/v1/trips/{kept}/drops")
    assert told["empties"] == [{"drop": 1, "kind": "keg", "pieces": 21, "mass_kg": 210.5, "places": None}]
    assert [one["reason"] for one in told["corrections"]] == ["miscounted (invented)"]


def _brought_up_to_date(visit: Visit, made: TwoTrips, late: str) -> None:
    page = visit.page
    page.get_by_text(f"Bring plan {made.plan['id']} up to date").click()
    form = page.locator("form.amend")
    form.get_by_role("checkbox", name=late).check()
    visit.assert_accessible()
    form.get_by_role("button", name="Look what it comes to").click()
    expect(form.locator(".came")).to_contain_text("It can be done:")
    for sscc in made.day.ssccs["D"]:
        expect(form.locator(".came")).to_contain_text(sscc)
    assert page.locator(".trips ol li").count() == 3, "looking changes nothing"
    form.get_by_role("button", name="Bring it up to date").click()
    expect(page.locator("#told")).to_contain_text("It is done:")
    expect(page.locator(".trips ol li")).to_have_count(4)
    # What joined is not offered again.
    expect(page.locator("form.amend .tick")).to_have_count(1)


def _given_up(page: Page) -> None:
    page.get_by_text("Give this trip up", exact=True).click()
    page.get_by_role("button", name="Give the trip up").click()
    reason = page.get_by_label("Why it is given up")
    assert not reason.evaluate("field => field.checkValidity()"), "not without a reason"
    reason.fill("its clutch is gone (invented)")
    page.get_by_role("button", name="Give the trip up").click()
    expect(page.locator("#part-head .mark")).to_have_text("given up")
    expect(page.locator("#part-road")).to_contain_text("its clutch is gone (invented)")
    expect(page.locator("#mover")).to_have_count(0)


def _empties_corrected(visit: Visit, page: Page) -> None:
    kegs = page.get_by_role("group", name="Empty kegs")
    kegs.get_by_label("Pieces").fill("12")
    kegs.get_by_label("Kilograms").fill("120,5")
    page.get_by_role("button", name="Drop 1 is delivered").click()
    expect(page.locator(".drops li").first).to_contain_text("Empty kegs: 12")
    # Nothing of it stands in the form for the next drop.
    expect(page.locator("#pieces-next-keg")).to_have_value("")
    page.get_by_text("Correct the empties of drop 1").first.click()
    form = page.locator("form.correct")
    for field, value in (("Pieces", "12"), ("Kilograms", "120.5"), ("Places", "")):
        expect(form.get_by_role("group", name="Empty kegs").get_by_label(field)).to_have_value(value)
    visit.assert_accessible()
    form.locator("#pieces-1-keg").fill("21")
    form.locator("#mass-1-keg").fill("210,5")
    form.get_by_role("button").click()
    assert not form.locator("#reason-1").evaluate("field => field.checkValidity()"), "not without a reason"
    form.locator("#reason-1").fill("miscounted (invented)")
    form.get_by_role("button").click()
    expect(page.locator(".drops li").first).to_contain_text("Empty kegs: 21")
    expect(page.locator("#part-follows")).to_contain_text("miscounted (invented)")
    # What is not done yet is still to be done, with its form as it was.
    expect(page.get_by_role("button", name="Drop 2 is delivered")).to_be_visible()


@pytest.mark.slow
def test_a_unit_is_put_on_top_of_another_changed_with_one_below_and_taken_down(
    api: Api, database: Database, clock: Clock, server: Process, browser: Browser
) -> None:
    trip = flat_deck(api, database, clock)
    at = {place["row"]: place["sscc"] for place in trip["places"]}
    assert sorted(at) == [0, 1, 2, 3, 4]
    lower, first, second = at[1], at[2], at[3]
    with visiting(browser, server.url, expect_wrong=True) as visit:
        signed_in(visit, api.tokens["dispatcher"])
        page = visit.open(f"/loads/trips/{trip['id']}")
        spot = [page.locator(f"#at-{row}-0") for row in range(5)]
        # Only on what bears a load is anything offered to go on top.
        page.get_by_label("Unit", exact=True).select_option(first)
        expect(page.locator("#place option[value$=':1']")).to_have_count(2)
        page.get_by_label("To", exact=True).select_option(label="row 2, lane 1: on top of drop 2")
        page.get_by_role("button", name="Check").click()
        expect(page.locator("#verdict.right")).to_contain_text("can be done")
        page.get_by_role("button", name="Move").click()
        expect(page.locator("#verdict.right")).to_contain_text("is done")
        expect(spot[1]).to_have_attribute("data-ssccs", f"{lower} {first}")
        expect(spot[1]).to_have_attribute("aria-label", re.compile("on top"))
        expect(spot[2]).to_have_class(re.compile("free"))
        expect(page.locator(".key")).to_contain_text("on top of another unit")
        visit.assert_accessible()
        # A tap takes the upper one, a second tap the one beneath it, which stays while something stands on it.
        spot[1].click()
        expect(page.locator("#verdict")).to_contain_text(first)
        spot[1].click()
        expect(page.locator("#verdict")).to_contain_text(lower)
        spot[2].click()
        expect(page.locator("#verdict.wrong")).to_contain_text(first)
        page.keyboard.press("Escape")
        # The upper one changes places with one on the deck.
        spot[1].click()
        spot[3].click()
        expect(page.locator("#verdict.right")).to_contain_text("can be done")
        spot[3].click()
        expect(page.locator("#verdict.right")).to_contain_text("is done")
        expect(spot[1]).to_have_attribute("data-ssccs", f"{lower} {second}")
        expect(spot[3]).to_have_attribute("data-ssccs", first)
        # And down to the free place, by the keyboard.
        spot[1].focus()
        page.keyboard.press("Enter")
        expect(page.locator("#verdict")).to_contain_text(second)
        page.keyboard.press("ArrowRight")
        expect(page.locator("#verdict.right")).to_contain_text("can be done")
        page.keyboard.press("Enter")
        expect(spot[2]).to_have_attribute("data-ssccs", second)
        expect(spot[1]).to_have_attribute("data-ssccs", lower)
        expect(page.locator(".key")).not_to_contain_text("on top of another unit")
    assert all("409" in text or "ERR_ABORTED" in text for text in visit.wrong), visit.wrong
    shown = api.ok("GET", f"/v1/trips/{trip['id']}")["places"]
    assert {one["row"]: one["sscc"] for one in shown} == at | {2: second, 3: first}
    assert not any(one["tier"] for one in shown)


@pytest.mark.slow
def test_a_day_is_asked_for_with_its_roads_and_the_next_form_knows_them(
    api: Api, database: Database, clock: Clock, server: Process, browser: Browser
) -> None:
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    for k, order_id in enumerate(day.drops):
        order = api.ok("GET", f"/v1/orders/{order_id}")
        place = {"code": f"P{k}", "name": "Invented gate", "latitude": 50.5 + k / 10, "longitude": 8.5}
        drop = api.made(f"/v1/customers/{order['customer_id']}/drops", place)
        with database.transaction() as session:
            session.get_one(SalesOrder, order_id).drop_id = drop["id"]
    with visiting(browser, server.url) as visit:
        signed_in(visit, api.tokens["dispatcher"])
        page = visit.open(f"/loads?on={DAY.isoformat()}")
        page.get_by_text("Driving, and the hours").click()
        page.get_by_label("degrees north").fill("50,4")
        page.get_by_label("Degrees east").fill("8.5")
        page.get_by_label("Average on the road").fill("40")
        page.get_by_text("Vehicles that leave several times").click()
        page.get_by_label("Trips of a vehicle at most").fill("2")
        visit.assert_accessible()
        with page.expect_response("**/v1/load-plans") as asked:
            page.get_by_role("button", name=re.compile("^Plan ")).click()
        assert asked.value.status == 202
        body = asked.value.request.post_data_json
        told = {
            "latitude": 50.4,
            "longitude": 8.5,
            "leaves_at_time": "06:00",
            "speed_kmh": 40,
            "service_s": 900,
        }
        assert body["roads"] == told
        assert "trip_s" not in body["shifts"][0], "it follows from the roads"
        plan = api.as_("dispatcher").made("/v1/load-plans", body)
        assert [trip["drive"] is not None for trip in plan["trips"]] == [True]
        page = visit.open(f"/loads?on={DAY.isoformat()}")
        assert not page.locator("#ask-plan").count(), "it is being planned"
    with database.transaction() as session:
        session.execute(delete(PlanningJob))
    api.client.post("/sign-in", data={"token": api.tokens["dispatcher"]})
    seen = api.client.get(f"/loads?on={DAY.isoformat()}").text
    for field, value in (("latitude", "50.4"), ("longitude", "8.5"), ("speed", "40"), ("leaves", "06:00")):
        assert re.search(f'id="{field}"[^>]* value="{value}"', seen), field
