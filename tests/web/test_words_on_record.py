"""What lead and QA say on pages that only programs could say before: counts, sensors, rules, units, alerts, a password."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import html5lib
import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import insert

from builders.api import Api
from builders.browser import PHONE, Visit, visiting
from builders.floor import Floor, make_floor
from builders.grounds import Clock
from builders.server import Process, serving
from rimekeep.alerts.core.kinds import KINDS
from rimekeep.alerts.tables import Alert
from rimekeep.platform.database import Database
from rimekeep.web.today import FAMILIES

WHY = "looked at by hand (invented)"


@pytest.fixture
def floor(api: Api, database: Database, clock: Clock) -> Floor:
    """The floor, with a sensor in its room, a count that differs by two cases, and an alert nobody has taken on."""
    floor = make_floor(api, database)
    (unit, *_) = floor.ssccs
    shown = api.ok("GET", f"/v1/units/{unit}")
    api.as_("qa").made(
        "/v1/sensors",
        {"zone_id": shown["zone_id"], "code": "LOG-1", "interval_s": 600, "error_c": 0.5, "rank": 1},
    )
    (count,) = api.as_("lead").made("/v1/counts", {"bay_ids": [shown["bay_id"]]})
    api.as_("picker").made("/v1/counts/next", {})
    counted = {"scan": unit, "lots": [{"lot": floor.lot_code, "cases": 50}]}
    body = {"bay_check_code": floor.codes[shown["bay_code"]], "counted_s_ago": 0, "units": [counted]}
    assert api.as_("picker").made(f"/v1/counts/{count['id']}/answer", body)["state"] == "waiting"
    with database.transaction() as session:
        facts = {"family": "stock", "severity": "warning", "opened_at": clock.now, "note": "", "next_step": 0}
        session.execute(insert(Alert).values(site_id=api.callers["lead"].site_id, **facts))
    return floor


def asked(api: Api, role: str, path: str) -> tuple[str, set[str]]:
    """A page, held to the HTML standard's parser, and what its forms would ask the service, without the numbers."""
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    response = api.client.get(path)
    assert response.status_code == 200, (path, role)
    page = response.text
    html5lib.HTMLParser(strict=True).parse(page)
    return page, {re.sub(r"(?<=/)\d+", "N", one) for one in re.findall(r'data-ask="([^"]+)"', page)}


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_each_word_is_offered_to_whom_it_is_open(api: Api, floor: Floor) -> None:
    unit = api.ok("GET", f"/v1/units/{floor.ssccs[0]}")
    lot_id = unit["contents"][0]["lot_id"]
    word = {"POST /v1/units/N/{word}"}
    counted, destroyed = {"POST /v1/units/N/adjust"}, {"POST /v1/units/N/destroy"}
    rules = {"POST /v1/excursion-rules"}
    sensor = {"POST /v1/sensors/N/move", "POST /v1/sensors/N/switch-off"}
    say, alert = {"POST /v1/counts/N/{word}", "POST /v1/counts"}, {"POST /v1/alerts/N/acknowledge"}
    offered = {
        f"/trace/units/{unit['sscc']}": {"qa": word | counted | destroyed, "lead": word | counted, "auditor": set()},
        f"/trace/lots/{lot_id}": {"qa": {"POST /v1/lots/N/{word}"}, "auditor": set()},
        f"/cold/zones/{unit['zone_id']}": {"qa": rules, "lead": set()},
        f"/setup/zones/{unit['zone_id']}": {"qa": sensor, "lead": sensor, "dispatcher": set()},
        "/counts": {"lead": say, "qa": set(), "picker": set()},
        "/cold/returns": {"qa": {"POST /v1/return-rule"}, "lead": set()},
        "/": {"lead": alert, "qa": alert, "auditor": set()},
    }  # fmt: skip
    every = set().union(*(one for roles in offered.values() for one in roles.values()))
    for path, roles in offered.items():
        for role, wanted in roles.items():
            assert asked(api, role, path)[1] & every == wanted, (path, role)
    # A count is blind.
    assert "Counted" not in asked(api, "picker", "/counts")[0]
    assert "more than on record" in asked(api, "auditor", "/counts")[0]
    # What the lead may say of a released unit is only that it is on hold; a rejection is for good.
    page = asked(api, "lead", f"/trace/units/{unit['sscc']}")[0]
    assert re.findall(r'<option value="(hold|release|reject)"', page) == ["hold"]
    api.as_("qa").made(f"/v1/units/{unit['sscc']}/reject", {"reason": WHY})
    page, forms = asked(api, "qa", f"/trace/units/{unit['sscc']}")
    assert f"rejected: it may not go</strong>: {WHY}" in page
    assert not forms & word


@pytest.fixture
def server(database_url: str, tmp_path: Path) -> Iterator[Process]:
    with serving(database_url, tmp_path, warm=True, jobs="false") as running:
        yield running


def signed_in(visit: Visit, token: str) -> Page:
    visit.sign_in(token)
    return visit.page


@pytest.mark.slow
@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_lead_and_qa_put_their_words_on_record(
    api: Api, floor: Floor, server: Process, browser: Browser
) -> None:
    unit = api.ok("GET", f"/v1/units/{floor.ssccs[0]}")
    with visiting(browser, server.url, viewport=PHONE) as visit:
        page = signed_in(visit, api.tokens["lead"])
        visit.open("/counts")
        visit.assert_accessible()
        page.get_by_label("What holds").select_option("approve")
        page.get_by_label("Reason").fill(WHY)
        page.get_by_role("button", name="Put on record").click()
        expect(page.locator("#part-waiting")).to_contain_text("No difference waits.")
        visit.open(f"/setup/zones/{unit['zone_id']}")
        page.get_by_text("Move or switch off LOG-1").click()
        page.get_by_label("Where it stands now").select_option(str(floor.staging_id))
        page.get_by_label("Why it changes").first.fill(WHY)
        page.get_by_role("button", name="It stands there").click()
        expect(page.locator("section[aria-labelledby=sensors]")).to_contain_text("No sensor stands here")
        visit.open(f"/setup/zones/{floor.staging_id}")
        page.get_by_text("Move or switch off LOG-1").click()
        visit.assert_accessible()
        page.locator("form[data-ask$='switch-off']").get_by_label("Why it changes").fill(WHY)
        page.get_by_role("button", name="Switch it off").click()
        expect(page.locator("section[aria-labelledby=sensors]")).to_contain_text("no, switched off")
    with visiting(browser, server.url) as visit:
        page = signed_in(visit, api.tokens["qa"])
        visit.open(f"/cold/zones/{unit['zone_id']}")
        page.get_by_text("Add a rule").click()
        page.get_by_label("Limit, °C").fill("8,5")
        page.get_by_label("Allowed outside, minutes").fill("45")
        page.get_by_label("Put the units that were there on hold").check()
        visit.assert_accessible()
        page.get_by_role("button", name="Add the rule").click()
        expect(page.locator("section[aria-labelledby=watching] summary").first).to_contain_text("R1")
        visit.open(f"/trace/units/{unit['sscc']}")
        expect(page.locator("section[aria-labelledby=now]")).to_contain_text("50")
        page.get_by_text("Say otherwise").click()
        page.get_by_label("Your word").select_option("hold")
        page.locator("#reason").fill(WHY)
        visit.assert_accessible()
        page.get_by_role("button", name="Put on record").click()
        expect(page.locator("section[aria-labelledby=now] p > strong").first).to_have_text("on hold")
        page.get_by_text("are not as on record").click()
        page.get_by_label("Cases destroyed").fill("2")
        page.locator("form[data-ask$='destroy']").get_by_label("Reason").fill(WHY)
        page.get_by_role("button", name="Write them off").click()
        expect(page.locator("section[aria-labelledby=now]")).to_contain_text("48")
    (rule,) = api.ok("GET", "/v1/excursion-rules")["items"]
    told = {name: rule[name] for name in ("limit_c", "allowed_s", "side", "kind", "holds_stock", "guard_c")}
    assert told == {
        "limit_c": 8.5, "allowed_s": 2700, "side": "above", "kind": "single", "holds_stock": True, "guard_c": 0,
    }  # fmt: skip
    shown = api.ok("GET", f"/v1/units/{unit['sscc']}")
    assert (shown["qa_state"], shown["qa_reason"], shown["contents"][0]["cases"]) == ("held", WHY, 48)


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_who_has_a_password_is_offered_to_change_it(api: Api) -> None:
    assert "POST /v1/me/password" not in asked(api, "qa", "/view")[1], "who signs in by token has none"
    made = api.made("/v1/invitations", {"name": "Nora", "roles": ["qa"], "login": "nora@example.com"})
    api.client.cookies.clear()
    api.client.post(
        "/invitation",
        data={"code": made["code"], "password": "a long one (invented)", "again": "a long one (invented)"},
    )
    assert "POST /v1/me/password" in api.client.get("/view").text


def test_every_alert_says_what_it_is_about() -> None:
    assert {one.family for one in KINDS.values()} <= set(FAMILIES)
