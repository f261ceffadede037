"""A divided vehicle in a real browser: where the bulkhead stands, what each compartment is set to, a move across it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from builders.api import Api
from builders.browser import NARROWEST, visiting
from builders.divided import DECK, register
from builders.grounds import Clock
from builders.loads import DAY, make_day
from builders.server import Process, serving
from rimekeep.loading.core.vehicle import Row
from rimekeep.platform.database import Database
from rimekeep.web.loads.drawing import BULKHEAD, CELL_WIDTH, from_above


@pytest.fixture
def server(database_url: str, tmp_path: Path) -> Iterator[Process]:
    """The service beside the test's own. Its jobs rest: by its clock all of this stock is long past its dates."""
    with serving(database_url, tmp_path, warm=True, jobs="false") as running:
        yield running


def test_a_bulkhead_is_drawn_between_the_rows_it_parts() -> None:
    rows = tuple(Row(600 + 1200 * r, 2) for r in range(4))
    plain, parted = from_above(rows, []), from_above(rows, [], behind=[1])
    assert (plain.bulkheads, parted.width) == ((), plain.width + BULKHEAD)
    (line,) = parted.bulkheads
    ahead = max(spot.x + CELL_WIDTH for spot in parted.spots if spot.row <= 1)
    behind = min(spot.x for spot in parted.spots if spot.row > 1)
    assert ahead < line < behind


@pytest.mark.slow
@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_divided_trip_is_planned_and_read_on_its_page(
    api: Api, database: Database, clock: Clock, server: Process, browser: Browser
) -> None:
    day = make_day(api, database, clock.now, DECK)
    register(api, 1)
    with visiting(browser, server.url) as visit:
        visit.sign_in(api.tokens["dispatcher"])
        page = visit.open(f"/loads?on={DAY.isoformat()}")
        expect(page.get_by_label("Vehicles with compartments may be divided")).to_be_checked()
        body = {"ship_on": DAY.isoformat(), "drops": day.drops}
        (trip,) = api.as_("dispatcher").made("/v1/load-plans", body)["trips"]
        page = visit.open(f"/loads/trips/{trip['id']}")
        row = trip["compartments"][0]["last_row"]
        head = page.locator("#part-head")
        expect(head).to_contain_text(f"Compartment 1, rows 1 to {row + 1}: set 4.0 °C, air 2.0 °C to 6.0 °C.")
        expect(head).to_contain_text(
            f"Compartment 2, rows {row + 2} to 4: set 10.0 °C, air 8.0 °C to 12.0 °C."
        )
        expect(page.locator("svg.above").get_by_role("img", name="bulkhead")).to_have_count(1)
        expect(page.locator("section[aria-labelledby=cold] table")).to_have_count(2)
        expect(page.locator("section[aria-labelledby=cold]")).to_contain_text(
            "pre-cool the closed, empty compartment"
        )
        expect(page.locator("section[aria-labelledby=care]")).to_contain_text("nobody is shut in")
        # Cold goods among the cellar's: nothing can part them.
        taken = {(one["row"], one["lane"]) for one in trip["places"]}
        there = next((r, k) for r in range(row + 1, 4) for k in range(2) if (r, k) not in taken)
        page.get_by_label("Unit", exact=True).select_option(day.ssccs["B"][0])
        page.get_by_label("To", exact=True).select_option(f"{trip['id']}:{there[0]}:{there[1]}")
        page.get_by_role("button", name="Check").click()
        expect(page.locator("#verdict")).to_contain_text("each holds one temperature")
        visit.assert_accessible()
    with visiting(browser, server.url, viewport=NARROWEST, locale="de-DE") as visit:
        visit.sign_in(api.tokens["dispatcher"])
        page = visit.open(f"/loads/trips/{trip['id']}")
        expect(page.locator("#part-head")).to_contain_text("Durch Trennwände geteilt")
        visit.assert_accessible()
