"""Setting up who is here: people and devices, and what only an admin may."""

import json
import re

import pytest
from playwright.sync_api import Browser, expect

from builders.api import Api
from builders.browser import PHONE, visiting
from builders.server import Process
from builders.web import read


def test_the_lead_sees_who_is_here_and_an_admin_changes_it(api: Api) -> None:
    seen = read(api, "lead", "/setup/people")
    assert "Make the invitation" not in seen
    # The demo's people have signed in by tokens only.
    assert "has a token" in seen
    assert "Make the invitation" in read(api, "admin", "/setup/people")
    assert "Add it" in read(api, "admin", "/setup/devices")
    for path in ("/setup/people", "/setup/devices", "/setup/people/1"):
        told = read(api, "picker", path, 403)
        assert "lead, admin" in told
    assert "End it" not in read(api, "lead", f"/setup/devices/{api.callers['picker'].id}")


def test_a_part_of_a_name_finds_and_every_way_in_is_told(api: Api) -> None:
    made = api.made("/v1/invitations", {"name": "Uma Invented", "roles": ["qa"], "login": "uma"})
    api.made("/v1/devices", {"name": "handheld 7", "roles": ["picker"]})
    seen = read(api, "admin", "/setup/people?q=UMA")
    assert "Uma Invented" in seen
    assert "invited until" in seen
    assert seen.count('class="tap"') == 1
    assert "Nobody is called that." in read(api, "admin", "/setup/people?q=%25")
    assert "handheld 7" in read(api, "admin", "/setup/devices")
    assert "handheld 7" not in read(api, "admin", "/setup/people")
    one = f"/setup/people/{made['principal_id']}"
    assert "Withdraw the invitation" in read(api, "admin", one)
    # A person is no device.
    assert api.client.get(one.replace("people", "devices")).status_code == 404
    api.made(f"/v1/principals/{made['principal_id']}/deactivate")
    assert "shut out" in read(api, "admin", one)


def test_a_page_of_people_takes_as_many_statements_however_many_there_are(api: Api) -> None:
    for number in range(105):
        api.made("/v1/devices", {"name": f"handheld {number:03}", "roles": ["picker"]})
    seen = read(api, "admin", "/setup/devices?limit=100")
    assert seen.count('class="tap"') == 100
    further = re.search(r'href="(/setup/devices\?[^"]*cursor=[^"]+)"', seen)
    assert further
    assert read(api, "admin", further[1].replace("&amp;", "&")).count('class="tap"') >= 5


@pytest.mark.slow
def test_an_admin_invites_somebody_who_comes_in_and_is_shut_out_again(
    empty_server: Process, browser: Browser
) -> None:
    with (
        visiting(browser, empty_server.url, viewport=PHONE) as visit,
        visiting(browser, empty_server.url, expect_wrong=True) as other,
    ):
        visit.sign_in(empty_server.token)
        page = visit.open("/setup/people")
        page.get_by_label("Name", exact=True).fill("Ola Invented")
        page.get_by_label("QA").check()
        page.get_by_role("button", name="Make the invitation").click()
        shown = page.get_by_label("What is shown once")
        expect(shown).to_have_value(re.compile(re.escape(f"{empty_server.url}/invitation?code=")))
        link = shown.input_value()
        visit.assert_accessible()
        page.get_by_role("button", name="I have noted it").click()
        page.get_by_role("link", name="Ola Invented").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Ola Invented")

        # Ola comes in, at a browser of her own.
        theirs = other.page
        theirs.goto(link)
        theirs.get_by_label("New password").fill("three odd words")
        theirs.get_by_label("The same once more").fill("three odd words")
        theirs.get_by_role("button", name="Set the password").click()
        expect(theirs.get_by_role("heading", level=1)).to_contain_text("Today")

        page.reload()
        visit.assert_accessible()
        page.get_by_label("auditor").check()
        page.get_by_label("Why").fill("audits too (invented)")
        page.get_by_role("button", name="Give these roles").click()
        expect(page.locator("dl")).to_contain_text("auditor, QA")
        page.get_by_role("button", name=re.compile("End the session")).click()
        expect(page.get_by_text(re.compile("^ended "))).to_be_visible()
        theirs.goto(f"{empty_server.url}/cold")
        expect(theirs).to_have_url(f"{empty_server.url}/sign-in")
        page.get_by_label("I mean Ola Invented.").check()
        page.get_by_role("button", name="Shut out").click()
        expect(page.locator("dl")).to_contain_text("shut out")
        kept = page.evaluate("JSON.stringify(sessionStorage)")
        assert "Ola Invented" not in json.dumps(kept)
