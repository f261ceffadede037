"""From an empty database to the first pick list, by the pages alone; files looked at before they are stored."""

import csv
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from builders.api import Api
from builders.browser import DESK, PHONE, visiting
from builders.grounds import Clock
from builders.server import Process
from builders.store import furnish
from builders.web import read
from rimekeep.imports.routes import ROLES
from rimekeep.web.setup.imports import KIND_WORDS


def test_an_empty_store_leads_to_the_first_step(api: Api) -> None:
    assert 'href="/setup/start"' in read(api, "lead", "/")
    steps = read(api, "lead", "/setup/start")
    assert steps.count("is-next") == 1
    assert "is-done" not in steps
    # A picker sees how far it has come and is told who goes on.
    told = read(api, "picker", "/setup/start")
    assert "Read a file in" not in told
    assert "ask the lead or an admin" in told


def test_what_is_there_shows_a_tick(api: Api, clock: Clock) -> None:
    furnish(api, clock.now, "X", "9521234")
    steps = read(api, "lead", "/setup/start")
    assert steps.count("is-done") >= 8


def test_each_role_is_offered_its_own_kinds_of_file(api: Api) -> None:
    assert set(KIND_WORDS) == set(ROLES)
    for role in ("qa", "dispatcher", "auditor"):
        shown = read(api, role, "/setup/imports")
        own = {kind for kind, roles in ROLES.items() if role in roles}
        assert {kind for kind in ROLES if f'href="/setup/imports/{kind}"' in shown} == own
    for kind in ROLES:
        assert f'data-kind="{kind}"' in read(api, "admin", f"/setup/imports/{kind}")
    read(api, "picker", "/setup/imports/products", 403)
    assert api.client.get("/setup/imports/nonsense").status_code == 404
    assert api.client.get("/setup/imports/lots/sample.csv").text.startswith("sku,lot,")


def take_in(page: Page, folder: Path) -> None:
    """The step that is next: its sample is downloaded, looked at, stored; then back to the steps."""
    step = page.locator("li.is-next")
    with page.expect_download() as got:
        step.get_by_role("link", name="Sample file").click()
    file = folder / got.value.suggested_filename
    got.value.save_as(file)
    step.get_by_role("link", name="Read a file in").click()
    page.get_by_label("The file, CSV or JSON").set_input_files(file)
    page.get_by_role("button", name="Look at it first").click()
    expect(page.locator("#found-title")).to_have_text("Everything can be read")
    page.get_by_role("button", name="Take it in").click()
    expect(page.locator("#found-title")).to_have_text("Stored")
    page.get_by_role("link", name="From empty to the first pick list").click()


@pytest.mark.slow
def test_from_an_empty_database_to_the_first_pick_list(
    empty_server: Process, browser: Browser, tmp_path: Path
) -> None:
    with visiting(browser, empty_server.url, viewport=DESK, expect_wrong=True) as visit:
        visit.sign_in(empty_server.token)
        page = visit.open("/")
        page.get_by_role("link", name="From empty to the first pick list").click()
        # QA's word is in the lots' file: with it two steps are done.
        for done in (0, 1, 2, 3, 5, 6, 7):
            expect(page.locator("li.is-done")).to_have_count(done)
            take_in(page, tmp_path)
        visit.assert_accessible()
        page.get_by_role("button", name="Reserve stock for 2 orders").click()
        page.get_by_role("button", name="Make pick lists for 2 orders").click()
        expect(page.locator("li.is-done")).to_have_count(10)
        expect(page.get_by_role("heading", name="Ready to pick")).to_be_visible()
        with empty_server.client() as admin:
            lists = admin.get("/v1/pick-lists")["items"]
        assert lists
        visit.open("/")
        expect(page.locator("main")).not_to_contain_text("The store is empty.")
        # The browser calls a download a page that was given up.
        assert [one for one in visit.wrong if "/sample.csv" not in one] == []


@pytest.mark.slow
def test_a_file_with_faults_is_mended_by_what_the_page_says(
    empty_server: Process, browser: Browser, tmp_path: Path
) -> None:
    file = tmp_path / "customers.csv"
    good = [f"C{number},Customer {number} (invented),30" for number in range(10_000)]
    bad = ["=1+1,Nobody,30", "C1,The same again,30", "LAST,Soon (invented),soon"]
    file.write_text("\n".join(["code,name,min_life_days", *good, *bad]))
    with visiting(browser, empty_server.url, viewport=PHONE, expect_wrong=True) as visit:
        visit.sign_in(empty_server.token)
        page = visit.open("/setup/imports/customers")
        page.get_by_label("The file, CSV or JSON").set_input_files(file)
        page.get_by_role("button", name="Look at it first").click()
        expect(page.locator("#found-title")).to_have_text("Not yet: 3 faults", timeout=60_000)
        expect(page.locator("#found-told")).to_contain_text("10,003 rows, 10,000 of them good")
        expect(page.get_by_role("button", name="Take it in")).to_be_hidden()
        visit.assert_accessible()
        with page.expect_download() as got:
            page.get_by_role("link", name="Faults as CSV").click()
        with got.value.path().open(encoding="utf-8-sig", newline="") as told:
            rows = list(csv.DictReader(told))
        assert [(row["line"], row["column"]) for row in rows] == [
            ("10002", "code"),
            ("10003", "code"),
            ("10004", "min_life_days"),
        ]
        with empty_server.client() as admin:
            assert admin.get("/v1/customers")["items"] == []
            # Another file is looked at anew; double taps store once.
            file = tmp_path / "mended.csv"
            file.write_text("\n".join(["code,name,min_life_days", *good]))
            page.get_by_label("The file, CSV or JSON").set_input_files(file)
            expect(page.locator("#found")).to_be_hidden()
            page.get_by_role("button", name="Look at it first").click()
            page.get_by_role("button", name="Take it in").dblclick(timeout=60_000)
            expect(page.locator("#found-title")).to_have_text("Stored", timeout=60_000)
            expect(page.locator("#found-told")).to_contain_text("new: 10,000")
            assert len(admin.get("/v1/customers?limit=1000")["items"]) == 1000
