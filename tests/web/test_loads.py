"""The dispatcher's pages: a day's loads, a trip's deck and how a unit is moved on it, loading at the door."""

import re
from datetime import UTC, datetime
from typing import Any

import html5lib
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from builders.api import Api
from builders.browser import NARROWEST, PHONE, Visit, visiting
from builders.demo import Demo
from builders.grounds import Clock
from builders.journeys import Journey, confirmed_trip
from builders.loads import DAY, few, five_stops, instance, make_day, register_fleet, truck_of, two_trips
from builders.server import Process
from rimekeep.access.core.roles import Caller, Role
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.vehicle import Row
from rimekeep.picking import usecases as picking
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings
from rimekeep.stock.queries import bay_by_code
from rimekeep.web.loads.drawing import AxleBar, from_above, from_side

GROUNDS = {"journey": confirmed_trip}


def place(sscc: str, row: int, lane: int, drop: int = 1) -> PlaceView:
    """A unit on its place; what the drawing does not look at is left out."""
    return PlaceView(1, 1, sscc, "stored", 1, "O1", 1, "C1", "Invented bar", "", row, lane, drop, 400, None)


def test_units_on_top_of_each_other_are_both_drawn_on_their_place() -> None:
    rows = (Row(600, 2), Row(1800, 2))
    deck = from_above(rows, [place("a", 0, 0), place("b", 0, 0, drop=2), place("c", 1, 1)])
    spot = next(one for one in deck.spots if (one.row, one.lane) == (0, 0))
    assert spot.ssccs == "a b"
    lower, upper = spot.units
    assert upper.y + upper.height <= lower.y, "one above the other, not one over the other"
    side = from_side(rows, [place("a", 0, 0), place("b", 0, 0, drop=2)], {"a": 1000, "b": 1000}, {})
    assert side.boxes[1].y + side.boxes[1].height == pytest.approx(side.boxes[0].y)


def test_lane_1_is_drawn_at_the_left_of_who_looks_in_from_the_doors() -> None:
    """Front at the left of the drawing: who looks forward has the lower edge at the left hand."""
    deck = from_above((Row(600, 2),), [])
    left, right = deck.spots
    assert (left.lane, right.lane) == (0, 1)
    assert left.y > right.y


def test_a_limit_is_tight_before_it_is_over() -> None:
    assert [AxleBar("rear", kg, 10_000).verdict for kg in (9_499, 9_500, 10_000, 10_001)] == [
        "free", "tight", "tight", "over",
    ]  # fmt: skip


# Longer than announced news are gathered before a page asks for its parts anew.
RENEWED_MS = 3_000


@pytest.fixture
def planned(api: Api, database: Database, clock: Clock) -> int:
    """A draft for a small day; its trip's id."""
    deck = few(instance("deck_s1_basic"))
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    plan = api.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    return int(plan["trips"][0]["id"])


def page_of(api: Api, role: str, path: str) -> str:
    """The page as somebody gets it, held to the HTML standard's parser."""
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    response = api.client.get(path)
    assert response.status_code == 200
    html5lib.HTMLParser(strict=True).parse(response.text)
    assert "style=" not in response.text
    return response.text


def test_the_pages_are_sound_and_offer_changes_only_to_whom_they_are_open(api: Api, planned: int) -> None:
    day, trip, door = (
        f"/loads?on={DAY.isoformat()}",
        f"/loads/trips/{planned}",
        f"/loads/trips/{planned}/door",
    )
    assert "Confirm plan" in page_of(api, "dispatcher", day)
    assert 'id="mover"' in page_of(api, "dispatcher", trip)
    assert "not confirmed" in page_of(api, "picker", door)
    for role in ("auditor", "qa", "picker"):
        assert "Confirm plan" not in page_of(api, role, day)
        seen = page_of(api, role, trip)
        assert 'id="mover"' not in seen
        assert "data-ask" not in seen
        assert "Chock the wheels" in seen


@pytest.fixture
def journey(api: Api, database: Database, clock: Clock, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


def test_empties_are_reported_and_corrected_on_the_trips_page(journey: Journey) -> None:
    page = f"/loads/trips/{journey.trip['id']}"
    journey.leave()
    journey.pass_(hours=1)
    seen = page_of(journey.api, "picker", page)
    assert 'id="pieces-next-keg"' in seen
    assert "Correct the empties" not in seen, "no drop is delivered yet"
    body = {"empties": [{"kind": "keg", "pieces": 12, "mass_kg": 120.5, "places": 1}]}
    journey.api.as_("picker").made(f"{journey.path}/drops/1/deliver", body)
    seen = page_of(journey.api, "picker", page)
    assert "Empty kegs: 12 (120 kg)" in seen or "Empty kegs: 12 (121 kg)" in seen
    for field, value in (("pieces", "12"), ("mass", "120.5"), ("places", "1")):
        assert re.search(f'id="{field}-1-keg"[^>]* value="{value}"', seen), field
    told = {"empties": [], "reason": "they <stayed> there"}
    journey.api.as_("picker").made(f"{journey.path}/drops/1/empties", told)
    seen = page_of(journey.api, "qa", page)
    assert "Empty kegs: 12" not in seen
    assert "they &lt;stayed&gt; there" in seen
    assert "data-path" not in seen, "offered only to whom it is open"


def test_a_unit_measured_too_warm_is_let_go_by_qa_on_the_trips_page(journey: Journey) -> None:
    page = f"/loads/trips/{journey.trip['id']}"
    (sscc, *_) = journey.drop(2)
    body = {"scan": sscc, "kind": "core", "temp_c": 9.5, "probe": "P-7"}
    made = journey.api.as_("picker").made(f"{journey.path}/load-temperatures", body)
    accept = f'data-ask="POST {journey.path}/load-temperatures/{made["id"]}/accept"'
    assert accept in page_of(journey.api, "qa", page)
    seen = page_of(journey.api, "picker", page)
    assert accept not in seen
    assert "It may not go on board" in seen
    told = {"reason": "measured again by hand (invented)"}
    journey.api.as_("qa").made(f"{journey.path}/load-temperatures/{made['id']}/accept", told)
    assert "It may not go on board" not in page_of(journey.api, "qa", page)


def test_a_trip_is_given_up_on_its_own_page_while_others_of_the_plan_stand(
    api: Api, database: Database, clock: Clock
) -> None:
    plan = two_trips(api, database, clock).plan
    lost, kept = plan["trips"]
    assert "Give this trip up" in page_of(api, "dispatcher", f"/loads/trips/{lost['id']}")
    assert "Give this trip up" not in page_of(api, "picker", f"/loads/trips/{lost['id']}")
    told = {"reason": "its <clutch> is gone (invented)"}
    api.as_("dispatcher").made(f"/v1/trips/{lost['id']}/give-up", told)
    seen = page_of(api, "dispatcher", f"/loads/trips/{lost['id']}")
    assert "its &lt;clutch&gt; is gone" in seen
    assert "can be planned again" in seen
    assert "Give this trip up" not in seen
    # It is the only one left: the plan as a whole is given up on the day's page.
    assert "Give this trip up" not in page_of(api, "dispatcher", f"/loads/trips/{kept['id']}")
    day = page_of(api, "dispatcher", f"/loads?on={DAY.isoformat()}")
    assert f"/loads/trips/{kept['id']}" in day
    assert f'/loads/trips/{lost["id"]}"' not in day


def test_orders_that_are_ready_may_join_a_plan_but_not_what_another_has_or_is_not_picked(
    api: Api, database: Database, clock: Clock
) -> None:
    made = two_trips(api, database, clock)
    codes = {name: api.ok("GET", f"/v1/orders/{key}")["code"] for name, key in made.day.orders.items()}
    page = f"/loads?on={DAY.isoformat()}"

    def offered() -> set[str]:
        seen = page_of(api, "dispatcher", page)
        return {
            name for name, code in codes.items() if re.search(f'name="orders" value="[0-9]+"> {code},', seen)
        }

    assert offered() == {"D", "E"}, "the others are on the plan"
    body = {"code": "T3", "name": "Truck 3 (invented)", "truck": truck_of(five_stops())}
    api.made("/v1/vehicles", body)
    assert "Bring plan" not in page_of(api, "picker", page)
    draft = api.as_("dispatcher").made(
        "/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": made.day.drops[4:]}
    )
    assert draft["trips"]
    assert offered() == {"D", "E"}, "a draft binds nothing, and takes the other"
    api.as_("dispatcher").made(f"/v1/load-plans/{draft['id']}/confirm")
    assert offered() == {"D"}


def test_empties_two_trips_could_take_are_told_once_on_their_pages(
    api: Api, database: Database, clock: Clock
) -> None:
    deck = five_stops()
    one_stop = {
        **deck,
        "stops": deck["stops"][:1],
        "pallets": [{**deck["pallets"][0], "id": f"A-{k}"} for k in range(10)],
    }
    (order,) = make_day(api, database, clock.now, one_stop).drops
    register_fleet(api, one_stop, 2)
    back = [{"order_id": order, "kind": "keg", "pieces": 12, "mass_kg": 120, "places": 1}]
    plan = api.as_("dispatcher").made(
        "/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": [order], "empties": back}
    )
    first, second = (page_of(api, "picker", f"/loads/trips/{trip['id']}") for trip in plan["trips"])
    assert "empties announced: 12 kegs, 120 kg; T2 calls here later" in first
    assert "T1 calls here before and takes them" in second


def test_a_day_that_is_none_is_today_and_an_empty_one_says_so(api: Api) -> None:
    assert "No load plan for this day yet" in page_of(api, "dispatcher", "/loads?on=yesterday")
    assert "No vehicles yet" in page_of(api, "dispatcher", "/loads?on=0001-01-01")


# One dispatcher's day in a real browser.


def spot(page: Page, row: int, lane: int) -> Locator:
    """A place of the deck, as the dock counts: from 1."""
    return page.locator(f"#at-{row - 1}-{lane - 1}")


def units_at(page: Page, row: int, lane: int) -> str:
    """What stands on a place."""
    return spot(page, row, lane).get_attribute("data-ssccs") or ""


def assert_only_told(visit: Visit) -> None:
    """
    Nothing went wrong but what the service told (409), which a browser logs too.

    A check of a place that was left again is given up.
    """
    assert all("409" in text or "ERR_ABORTED" in text for text in visit.wrong), visit.wrong


def drag(page: Page, source: Locator, target: Locator) -> None:
    """Drag by mouse, as a hand does: press, move on the way, let go."""
    # The deck renews itself soon after a move is announced; a hand waits for that too.
    page.wait_for_timeout(RENEWED_MS)
    source.scroll_into_view_if_needed()
    a, b = source.bounding_box(), target.bounding_box()
    assert a
    assert b
    page.mouse.move(a["x"] + a["width"] / 2, a["y"] + a["height"] / 2)
    page.mouse.down()
    page.mouse.move(b["x"] + b["width"] / 2, b["y"] + b["height"] / 2, steps=6)
    page.mouse.up()


@pytest.mark.slow
def test_a_dispatchers_day(demo_server: Process, demo: Demo, browser: Browser) -> None:
    with (
        visiting(browser, demo_server.url, expect_wrong=True) as visit,
        visiting(browser, demo_server.url) as other,
    ):
        for one in (visit, other):
            one.sign_in(demo.tokens["dispatcher"])
        page = visit.open("/loads")
        page.get_by_role("link", name="Truck 3").click()
        expect(page.locator("h1")).to_have_text("Truck 3")
        visit.assert_accessible()
        _illegal_by_keyboard(page)
        watching = other.open(page.url.removeprefix(demo_server.url))
        spot(watching, 2, 1).click()
        expect(watching.locator("#verdict")).to_contain_text("is chosen")
        _legal_by_keyboard(page)
        # Another dispatcher sees it without asking, and keeps what they have chosen.
        expect(spot(watching, 7, 1)).to_have_attribute("data-ssccs", units_at(page, 7, 1))
        expect(spot(watching, 2, 1)).to_have_class(re.compile("chosen"))
        _by_buttons(page)
        _by_drag(page)
        _pinned_stays(page)
        _turned(page)
        visit.assert_accessible()
        page.get_by_role("link", name="Loading sheet", exact=True).click()
        expect(page.locator("body")).to_contain_text("Truck 3")
    assert_only_told(visit)


def _illegal_by_keyboard(page: Page) -> None:
    """The last drop's unit to the doors would bar the way: told why, and not done."""
    before = units_at(page, 2, 1)
    assert before
    spot(page, 1, 1).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("#verdict")).to_contain_text("is chosen")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#verdict")).to_contain_text("row 7, lane 1")
    expect(page.locator("#verdict.wrong")).to_contain_text("cannot be done")
    expect(page.locator("#verdict li").first).not_to_be_empty()
    page.keyboard.press("Enter")
    page.reload()
    assert units_at(page, 2, 1) == before
    assert not units_at(page, 7, 1)


def _turned(page: Page) -> None:
    """A turn is told in words: done and marked, or refused with the reason and not done."""
    page.get_by_role("button", name="Turn by 90°").click()
    expect(page.locator("#verdict")).to_contain_text(re.compile("is turned|cannot be done"))
    is_done = "is turned" in page.locator("#verdict").inner_text()
    if not is_done:
        expect(page.locator("#verdict li").first).not_to_be_empty()
    unit = page.locator("#unit option:checked")
    told = expect(unit)
    (told.to_contain_text if is_done else told.not_to_contain_text)("turned")


def _legal_by_keyboard(page: Page) -> None:
    moved = units_at(page, 6, 1)
    spot(page, 1, 1).focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#verdict.right")).to_contain_text("can be done")
    expect(page.locator("#verdict")).to_contain_text("left before")
    page.keyboard.press("Enter")
    expect(page.locator("#verdict.right")).to_contain_text("is done")
    expect(spot(page, 7, 1)).to_have_attribute("data-ssccs", moved)
    expect(spot(page, 7, 1)).to_be_focused()
    page.reload()
    assert units_at(page, 7, 1) == moved


def _by_buttons(page: Page) -> None:
    moved = units_at(page, 7, 1)
    page.get_by_label("Unit", exact=True).select_option(moved)
    page.get_by_label("To", exact=True).select_option(label="row 6, lane 1: free")
    page.get_by_role("button", name="Check").click()
    expect(page.locator("#verdict.right")).to_contain_text("can be done")
    assert units_at(page, 7, 1) == moved, "checking moves nothing"
    page.get_by_role("button", name="Move").click()
    expect(page.locator("#verdict.right")).to_contain_text("is done")
    expect(spot(page, 6, 1)).to_have_attribute("data-ssccs", moved)


def _by_drag(page: Page) -> None:
    moved = units_at(page, 6, 1)
    drag(page, spot(page, 6, 1), spot(page, 7, 1))
    expect(page.locator("#verdict.right")).to_contain_text("is done")
    expect(spot(page, 7, 1)).to_have_attribute("data-ssccs", moved)


def _pinned_stays(page: Page) -> None:
    kept = units_at(page, 7, 1)
    page.get_by_label("Unit", exact=True).select_option(kept)
    page.get_by_role("button", name="Pin", exact=True).click()
    expect(spot(page, 7, 1)).to_have_attribute("aria-label", re.compile("pinned"))
    drag(page, spot(page, 7, 1), spot(page, 6, 1))
    expect(page.locator("#verdict.wrong")).to_contain_text("unpin it first")
    assert units_at(page, 7, 1) == kept


def _pick_tomorrow(server: Process, demo: Demo) -> str:
    """Have tomorrow's orders picked; return the day."""
    callers = {}
    for role in ("lead", "picker"):
        with server.client(demo.tokens[role]) as http:
            me = http.get("/v1/me")
        callers[role] = Caller(me["id"], me["site"]["id"], me["name"], frozenset(map(Role, me["roles"])))
    with server.client(demo.tokens["lead"]) as http:
        orders = http.get("/v1/orders?state=open&limit=100")["items"]
    ids = [one["id"] for one in orders]
    database = Database(
        load_settings(database_url=server.environment["RIMEKEEP_DATABASE_URL"], compute_workers=0)
    )
    now = datetime.now(UTC)
    with database.transaction() as session:
        picking.allocate_orders(session, now, callers["lead"], picking.Chosen(order_ids=ids))
        picking.make_pick_lists(session, now, callers["lead"], order_ids=ids)
        while (work := picking.take_next_list(session, now, callers["picker"], lease_s=300)) is not None:
            for pick in work.picks:
                bay = bay_by_code(session, callers["lead"].site_id, pick.bay_code) if pick.bay_code else None
                picking.confirm_pick(
                    session,
                    now,
                    callers["picker"],
                    pick_id=pick.id,
                    scan=pick.sscc,
                    bay_check_code=bay.check_code if bay else None,
                    cases=pick.cases,
                    lease_s=300,
                )
    database.dispose()
    return str(min(one["ship_on"] for one in orders))


@pytest.mark.slow
def test_a_day_is_planned_confirmed_and_loaded_at_the_door(
    demo_server: Process, demo: Demo, browser: Browser
) -> None:
    day = _pick_tomorrow(demo_server, demo)
    with visiting(browser, demo_server.url, expect_wrong=True) as visit:
        visit.sign_in(demo.tokens["dispatcher"])
        page = visit.open(f"/loads?on={day}")
        page.get_by_role("button", name=re.compile("^Plan ")).click()
        # Somebody goes on working while it plans: what they typed is there when the plan comes.
        page.get_by_label("Day of dispatch").fill("2027-01-04")
        expect(page.get_by_role("button", name=re.compile("^Confirm plan"))).to_be_visible()
        expect(page.locator("[data-job]")).to_have_count(0)
        expect(page.get_by_role("button", name=re.compile("^Plan "))).to_be_visible()
        expect(page.get_by_label("Day of dispatch")).to_have_value("2027-01-04")
        visit.assert_accessible()
        page.get_by_role("button", name=re.compile("^Confirm plan")).click()
        page.get_by_role("link", name="Load at the door").click()
        door = page.url.removeprefix(demo_server.url)
    assert_only_told(visit)
    options = {"viewport": PHONE, "color_scheme": "dark"}
    with visiting(browser, demo_server.url, expect_wrong=True, **options) as visit:
        visit.sign_in(demo.tokens["picker"])
        page = visit.open(door)
        scan = page.get_by_label("Scan the pallet's label").first
        scan.fill("395212340000009994")
        scan.press("Enter")
        expect(page.locator("#heard.wrong")).to_contain_text("Stop.")
        visit.assert_accessible()
        due = "".join(page.locator(".next .big").first.inner_text().split())
        scan.fill(due)
        scan.press("Enter")
        expect(page.locator("#heard.right")).to_contain_text("is on board")
        expect(page.locator("#part-next")).to_contain_text(re.compile("^.*1 of [0-9]+ on board", re.DOTALL))
        expect(scan).to_be_focused()
    assert_only_told(visit)


def test_without_script_a_trip_can_be_read_and_the_narrowest_screen_holds_it(
    shown_server: Process, demo: Demo, browser: Browser
) -> None:
    with visiting(browser, shown_server.url, java_script_enabled=False) as visit:
        visit.sign_in(demo.tokens["qa"])
        page = visit.open("/loads/trips/1")
        assert page.locator("svg.above .spot").count() == 14
        assert "After drop 5" in page.locator("table.weights").inner_text()
    with visiting(browser, shown_server.url, viewport=NARROWEST) as visit:
        visit.sign_in(demo.tokens["dispatcher"])
        for path in ("/loads/trips/1", "/loads/trips/2", "/loads/trips/2/door"):
            visit.open(path)
            visit.assert_accessible()
