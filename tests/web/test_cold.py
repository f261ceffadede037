"""QA's pages: rooms, temperature, excursions and calibrations as people get them."""

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import html5lib
import numpy as np
import pytest
from playwright.sync_api import Browser, expect

from builders.api import Api
from builders.browser import visiting
from builders.demo import Demo
from builders.grounds import Clock
from builders.server import Process
from builders.stock import make_zone
from rimekeep.climate.core.air import Air
from rimekeep.platform.database import Database
from rimekeep.web.cold.fit import fit_picture
from rimekeep.web.cold.picture import room_picture, trend
from rimekeep.web.cold.window import LONGEST, SHORTEST, window_of
from rimekeep.web.cold.zone import rows_of

# A page asked for on a machine that does other things too.
NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


def air_with_gap() -> Air:
    at_s = np.array([0.0, 600.0, 1200.0, 7200.0, 7800.0])
    return Air(at_s, np.array([3.0, 3.2, 3.1, 5.0, 4.8]), np.array([[1200.0, 7200.0]]))


def test_a_gap_is_drawn_as_a_gap_and_told_as_one() -> None:
    picture = room_picture(air_with_gap(), limits=[(6.0, "above")])
    (gap,) = picture.gaps
    before, after = picture.air
    # No line crosses it: one ends where it begins, the next begins where it ends.
    assert before[-1][0] == gap.x
    assert after[0][0] == pytest.approx(gap.x + gap.width, abs=0.02)
    rows = rows_of(air_with_gap(), 600)
    assert [row.mean_c is None for row in rows] == [False, False, *[True] * 10, False]


def test_limits_and_what_lies_outside_of_them_are_drawn_on_their_side() -> None:
    above, below = room_picture(air_with_gap(), limits=[(6.0, "above"), (-1.5, "below")]).limits
    assert above.outside.y + above.outside.height == pytest.approx(above.y)
    assert below.outside.y == below.y


def test_the_axis_of_whoever_reads_fahrenheit_is_marked_at_round_degrees() -> None:
    picture = room_picture(air_with_gap(), is_fahrenheit=True)
    marks = [tick.value * 1.8 + 32 for tick in picture.y_ticks]
    assert marks == pytest.approx([round(mark) for mark in marks])


def test_a_room_nobody_measured_has_no_trend() -> None:
    assert (
        trend(Air(np.array([0.0, 60.0]), np.array([4.0, 4.0]), np.array([[0.0, 60.0]]), (), True), 4.0)
        is None
    )


def test_a_window_of_the_sites_clock_follows_its_summer_time() -> None:
    """Berlin put its clocks forward at 01:00 UTC on 29 March 2026 (IANA time zone database)."""
    now = datetime(2026, 4, 1, tzinfo=UTC)
    found = window_of(now, BERLIN, span="", from_text="2026-03-29T00:00", until_text="2026-03-30T00:00")
    assert found.length == timedelta(hours=23)


@pytest.mark.parametrize("texts", [("2026-02-02", "2026-02-01"), ("1999-01-01", "1999-01-02"), ("x", "y")])
def test_dates_that_make_no_window_are_told_so_or_left_out(texts: tuple[str, str]) -> None:
    found = window_of(NOW, BERLIN, span="", from_text=texts[0], until_text=texts[1])
    assert (found.from_at, found.until_at) == (NOW - timedelta(hours=24), NOW)
    assert found.is_wrong == (texts[0] != "x")


def test_zooming_keeps_the_middle_and_ends_at_its_bounds() -> None:
    whole = window_of(NOW, BERLIN, span="", from_text="2026-01-01T00:00Z", until_text="2026-01-03T00:00Z")
    closer = whole.zoomed(0.5)
    assert closer is not None
    assert closer.from_at + closer.length / 2 == whole.from_at + whole.length / 2
    steps = 0
    while (nearer := closer.zoomed(0.5)) is not None:
        closer, steps = nearer, steps + 1
    assert SHORTEST <= closer.length < 2 * SHORTEST
    assert steps == 4
    assert whole.zoomed(LONGEST / whole.length * 1.01) is None
    assert window_of(NOW, BERLIN, span="24h", from_text="", until_text="").moved(0.5) is None


@pytest.mark.parametrize("kinetics", ["zero-order", "first-order"])
def test_the_fitted_course_goes_through_what_was_fitted(kinetics: str) -> None:
    def fitted(day: float) -> float:
        return 8 - 0.1 * day if kinetics == "zero-order" else 8 * 0.98**day

    points = [{"temp_c": 30.0, "day": day, "score": 7.0, "fitted": fitted(day)} for day in (0.0, 10.0, 40.0)]
    (series,) = fit_picture(points, start=8.0, limit=4.0, kinetics=kinetics).series
    xs, ys = zip(*series.curve, strict=True)
    reference = fit_picture(
        [{**one, "score": one["fitted"]} for one in points], start=8.0, limit=4.0, kinetics=kinetics
    )
    for x, y in reference.series[0].samples:
        assert np.interp(x, xs, ys) == pytest.approx(y, abs=0.5)


@pytest.mark.parametrize("path", ["/cold", "/cold/excursions", "/cold/calibrations", "/cold/zones/{zone}"])
def test_pages_of_an_empty_store_are_whole(api: Api, database: Database, clock: Clock, path: str) -> None:
    with database.transaction() as session:
        zone = make_zone(session, clock.now, api.callers["lead"], code="COLD", name="Cold <room>")
        session.flush()
        zone_id = zone.id
    api.client.post("/sign-in", data={"token": api.tokens["qa"]})
    page = api.client.get(path.format(zone=zone_id)).text
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<room>" not in page
    assert "style=" not in page


@pytest.mark.slow
def test_qa_goes_through_a_day(demo_server: Process, demo: Demo, browser: Browser) -> None:
    """Rooms, chart by keyboard, an excursion decided about with a signature."""
    with (
        demo_server.client(demo.tokens["qa"]) as qa,
        # A refused signature is an answer of 403, which the browser notes as an error.
        visiting(browser, demo_server.url, expect_wrong=True) as visit,
    ):
        excursions = qa.get("/v1/excursions")["items"]
        silent = next(one for one in excursions if one["kind"] == "silent" and not one["acknowledged_at"])
        warm = next(one for one in excursions if qa.get(f"/v1/excursions/{one['id']}")["lots"])
        visit.sign_in(demo.tokens["qa"])
        # The lead's page leads to what waits for a decision.
        assert visit.page.locator(f'a[href="/cold/excursions/{silent["id"]}"]').count() == 1
        page = visit.open("/cold")
        page.get_by_role("link", name="Bright beer room 2 °C", exact=True).click()
        page.wait_for_url(re.compile(r"/cold/zones/\d+$"))
        visit.assert_accessible()

        page.locator("#chart").focus()
        shown = page.locator("#shown").inner_text()
        page.keyboard.press("+")
        expect(page.locator("#shown")).not_to_have_text(shown)
        expect(page.locator("#chart")).to_be_focused()

        page = visit.open(f"/cold/zones/{silent['zone_id']}?window=30d")
        lines = page.locator("#part-chart .air, #part-chart .alone").count()
        zone_air = qa.get(
            f"/v1/zones/{silent['zone_id']}/air?step_s=3600&from="
            + (datetime.now(UTC) - timedelta(days=30)).isoformat().replace("+00:00", "Z")
        )
        assert page.locator("#part-chart .gap").count() == len(zone_air["bridged"]) > 0
        assert lines >= 1

        page = visit.open(f"/cold/excursions/{silent['id']}")
        page.get_by_role("button", name="Acknowledge").click()
        expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)
        assert qa.get(f"/v1/excursions/{silent['id']}")["acknowledged_at"]

        page = visit.open(f"/cold/excursions/{warm['id']}")
        visit.assert_accessible()
        page.get_by_label("Release: it may go").check()
        page.get_by_label("Reason").fill("tasted, no fault found")
        page.get_by_label("Your password or token").fill("not mine")
        page.get_by_role("button", name="Sign the decision").click()
        expect(page.get_by_role("alert")).to_contain_text("nothing was decided")
        assert page.get_by_label("Reason").input_value() == "tasted, no fault found"
        page.get_by_label("Your password or token").fill(demo.tokens["qa"])
        page.get_by_role("button", name="Sign the decision").click()
        expect(page.locator(".said")).to_contain_text("tasted, no fault found")
        assert page.get_by_role("link", name="Sheet to print").get_attribute("href") == (
            f"/v1/excursions/{warm['id']}/report"
        )
