"""
Every page in a real browser: WCAG 2.2 AA by the axe-core engine, no sideways scrolling down to 320 px (its
criterion 1.4.10), both colour schemes, nothing refused by the page's own policy.
"""

import re
from itertools import product

import pytest
from PIL import Image
from playwright.sync_api import Browser, expect

from builders.browser import DESK, NARROWEST, visiting
from builders.crawl import every_page, kinds_served, make_the_missing
from builders.demo import Demo
from builders.server import Process
from rimekeep.web.frame import PLACES
from web.screens import FOLDER, MOST_HIGH, PICKING, SCHEMES, SIZES, STARTS, name_of

PAGES = [*(place.address for place in PLACES), "/view", "/docs"]
SCREENS = {
    "desk": {"viewport": DESK, "color_scheme": "light"},
    "narrowest, dark": {"viewport": NARROWEST, "color_scheme": "dark"},
    # German words are longer.
    "narrowest, German": {"viewport": NARROWEST, "locale": "de-DE"},
}


@pytest.mark.parametrize("screen", SCREENS)
def test_every_page_is_accessible(shown_server: Process, demo: Demo, browser: Browser, screen: str) -> None:
    with visiting(browser, shown_server.url, **SCREENS[screen]) as visit:
        visit.open("/sign-in")
        visit.assert_accessible()
        visit.sign_in(demo.tokens["lead"])
        for path in PAGES:
            visit.open(path)
            visit.assert_accessible()


def test_without_script_the_pages_can_be_read(shown_server: Process, demo: Demo, browser: Browser) -> None:
    with visiting(browser, shown_server.url, java_script_enabled=False) as visit:
        visit.sign_in(demo.tokens["lead"])
        for path in PAGES:
            assert visit.open(path).locator("h1").inner_text()


# A phone, and a desk's 1280 px at 200 % zoom.
@pytest.mark.parametrize("width", [360, 640])
def test_on_a_narrow_screen_the_way_to_other_pages_takes_one_row(
    shown_server: Process, demo: Demo, browser: Browser, width: int
) -> None:
    narrow = {"width": width, "height": 740}
    for options in ({}, {"java_script_enabled": False}):
        with visiting(browser, shown_server.url, viewport=narrow, **options) as visit:
            visit.sign_in(demo.tokens["lead"])
            page = visit.open("/cold")
            frame = page.locator("header.top")
            assert frame.bounding_box()["height"] <= 64  # type: ignore[index]
            assert "Cold" in frame.inner_text()
            assert "Trace" not in frame.inner_text()
            page.keyboard.press("Tab")  # to the content
            page.keyboard.press("Tab")
            page.keyboard.press("Enter")
            expect(page.get_by_role("button", name="Sign out")).to_be_visible()
            links = frame.locator("li a")
            assert links.count() == len(PLACES)
            for box in (links.nth(k).bounding_box() for k in range(len(PLACES))):
                assert box
                assert box["height"] >= 44
                assert box["width"] >= 44
            if not options:
                visit.assert_accessible()
            page.keyboard.press("Tab")
            page.keyboard.press("Tab")
            page.keyboard.press("Enter")
            page.wait_for_url("**/pick")


def test_a_choice_of_language_and_units_is_kept_in_the_browser(
    shown_server: Process, demo: Demo, browser: Browser
) -> None:
    with visiting(browser, shown_server.url) as visit:
        visit.sign_in(demo.tokens["lead"])
        page = visit.open("/view")
        page.get_by_label("Language and dates").select_option("en-US")
        page.get_by_label("Units").select_option("us")
        page.get_by_role("button", name="Keep in this browser").click()
        expect(page.locator("html")).to_have_attribute("lang", "en-US")
        expect(page.get_by_label("Units")).to_have_value("us")


@pytest.mark.slow
def test_every_kind_of_page_can_be_reached_and_is_accessible(
    demo_server: Process, demo: Demo, browser: Browser
) -> None:
    make_the_missing(demo_server, demo)
    with visiting(browser, demo_server.url, viewport=DESK, color_scheme="dark") as visit:
        visit.sign_in(demo.tokens["admin"])
        pages = every_page(visit, *STARTS, "/invitation")
        for path in pages.values():
            visit.open(path)
            visit.assert_accessible()
    unreached = [
        kind
        for kind in kinds_served()
        if not any(re.fullmatch(kind.replace("N", "[^/]+"), path) for path in pages.values())
    ]
    assert not unreached
    with visiting(browser, demo_server.url, viewport=NARROWEST) as visit:
        visit.sign_in(demo.tokens["admin"])
        for path in pages.values():
            visit.open(path)
            visit.assert_accessible()


def test_a_picture_of_every_kind_of_page_is_kept() -> None:
    """They are looked at, not compared dot by dot; see `screens`."""
    kept = {file.stem for file in FOLDER.glob("*.png")}
    for name in {name_of(kind) for kind in kinds_served()} | {PICKING}:
        for size, scheme in product(SIZES, SCHEMES):
            pattern = re.sub(r"(?<![a-z])n(?![a-z])", ".+", name) + f"-{size}-{scheme}"
            assert any(re.fullmatch(pattern, one) for one in kept), pattern
    for one in kept:
        _, size, scheme = one.rsplit("-", 2)
        assert scheme in SCHEMES
        with Image.open(FOLDER / f"{one}.png") as picture:
            assert picture.width == SIZES[size]["width"]
            assert picture.height <= MOST_HIGH * SIZES[size]["height"]
