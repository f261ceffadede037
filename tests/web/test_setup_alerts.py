"""Who is told what: receivers, every attempt to reach them, the rota, as the pages show and change them."""

import re
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, expect
from pydantic import TypeAdapter

from builders.api import Api
from builders.browser import PHONE, visiting
from builders.grounds import Clock
from builders.server import Process, receiving
from builders.web import read
from rimekeep.alerts.core.kinds import KINDS
from rimekeep.alerts.core.schedule import MAX_ATTEMPTS
from rimekeep.alerts.schemas import Kind
from rimekeep.alerts.tables import DeliveryAttempt
from rimekeep.platform.database import Database
from rimekeep.web.setup.alerts import KIND_WORDS, stopped_why

HOOK = {"url": "http://127.0.0.1:9/secret-path", "least_severity": "warning"}


def test_every_kind_of_notice_has_words() -> None:
    assert set(KIND_WORDS) == {kind for kind, one in KINDS.items() if not one.is_for_pages}


def test_every_kind_of_notice_can_be_asked_for(api: Api) -> None:
    """The pages ask the stream for some; a kind the API does not know by its name would leave them still."""
    known = TypeAdapter(Kind)
    assert [known.validate_python(kind) for kind in KINDS] == list(KINDS)
    for kind in KINDS:
        assert api.get(f"/v1/outbox?kind={kind}").status_code == 200, kind


def test_why_a_receiver_is_stopped_is_told_by_its_last_attempt() -> None:
    assert stopped_why(410, 1, "gone") == "the receiver said that it is gone"
    assert stopped_why(500, MAX_ATTEMPTS, "HTTP 500") == "every attempt failed"
    assert stopped_why(500, 1, "HTTP 500") == "switched off by an admin"
    assert stopped_why(204, MAX_ATTEMPTS, "") == "switched off by an admin"


def test_what_a_receiver_is_sent_is_changed_on_condition(api: Api) -> None:
    made = api.made("/v1/subscriptions", HOOK)["subscription"]
    where = f"/v1/subscriptions/{made['id']}/wanted"
    shown = api.get(where)
    change = {"least_severity": "critical", "quiet_from": "22:00", "quiet_until": "06:00", "reason": "nights"}
    assert api.request("PATCH", where, json=change).status_code == 428
    changed = api.request("PATCH", where, json=change, headers={"If-Match": shown.headers["etag"]})
    assert (changed.status_code, changed.json()["quiet_from"]) == (200, "22:00")
    # What is left out stays; of two who edit at once the second is told.
    again = {"kinds": ["excursion.opened"], "reason": "fewer"}
    assert (
        api.request("PATCH", where, json=again, headers={"If-Match": shown.headers["etag"]}).status_code
        == 412
    )
    kept = api.request("PATCH", where, json=again, headers={"If-Match": changed.headers["etag"]}).json()
    assert (kept["least_severity"], kept["kinds"]) == ("critical", ["excursion.opened"])
    half = {"quiet_until": None, "reason": "half of it"}
    assert api.request("PATCH", where, json=half, headers={"If-Match": "*"}).status_code == 422
    entry = api.ok("GET", "/v1/audit?object_kind=subscription")["items"][-1]
    assert (entry["before"], entry["after"], entry["reason"]) == (
        {"kinds": []},
        {"kinds": ["excursion.opened"]},
        "fewer",
    )


def test_the_list_tells_how_deliveries_stand_and_keeps_addresses_from_others(
    api: Api, database: Database, clock: Clock
) -> None:
    ids = [api.made("/v1/subscriptions", HOOK)["subscription"]["id"] for _ in range(3)]
    with database.transaction() as session:
        for at, subscription_id, status in ((1, ids[1], 503), (2, ids[1], 410), (1, ids[2], 503)):
            session.add(
                DeliveryAttempt(
                    site_id=api.callers["lead"].site_id, subscription_id=subscription_id, outbox_seq=0,
                    attempt=at, at=clock.now + timedelta(minutes=at), status=status, error=f"HTTP {status}",
                )
            )  # fmt: skip
    for one in ids[1:]:
        api.ok("DELETE", f"/v1/subscriptions/{one}")
    seen = read(api, "lead", "/setup/subscriptions")
    assert "the receiver said that it is gone" in seen
    assert "switched off by an admin" in seen
    assert "secret-path" not in seen
    assert "secret-path" in read(api, "admin", "/setup/subscriptions")
    log = read(api, "lead", f"/setup/subscriptions/{ids[1]}")
    assert log.index("HTTP 410") < log.index("HTTP 503")
    assert "Make a new secret" not in log
    assert "Go on sending" in read(api, "admin", f"/setup/subscriptions/{ids[1]}")
    read(api, "picker", "/setup/subscriptions", 403)


@pytest.mark.slow
def test_a_receiver_is_added_tried_and_put_on_call(empty_server: Process, browser: Browser) -> None:
    with receiving() as receiver, visiting(browser, empty_server.url, viewport=PHONE) as visit:
        visit.sign_in(empty_server.token)
        page = visit.open("/setup/subscriptions")
        page.get_by_text("Add a receiver").click()
        page.get_by_label("Where to").fill(receiver.url)
        page.get_by_label("How grave it must be").select_option("critical")
        page.get_by_role("button", name="Add it").click()
        expect(page.get_by_label("What is shown once")).to_have_value(re.compile("^whsec_"))
        page.get_by_role("button", name="I have noted it").click()
        page.get_by_role("link", name=receiver.url).click()
        visit.assert_accessible()
        page.get_by_role("button", name="Send a test").click()
        expect(page.locator("#told")).to_contain_text("on its way")
        for _ in range(240):
            if "taken (204" in page.locator("#part-log").inner_text():
                break
            page.wait_for_timeout(500)
            page.reload()
        expect(page.locator("#part-log")).to_contain_text("taken (204")
        assert receiver.heard

        page.get_by_label("Quiet from").fill("22:00")
        page.get_by_label("Quiet until").fill("06:00")
        page.get_by_label("Why").fill("nights (invented)")
        with page.expect_navigation():
            page.get_by_role("button", name="Keep it").click()
        expect(page.get_by_label("Quiet from")).to_have_value("22:00")
        page.get_by_role("button", name="Send it nothing more").click()
        expect(page.locator("dl")).to_contain_text("stopped: switched off by an admin")
        page.get_by_role("button", name="Go on sending").click()
        expect(page.locator("dl")).to_contain_text("active")

        visit.open("/setup/subscriptions")
        for day in ("1", "2"):
            page.get_by_label(f"Who {day}", exact=True).first.select_option(index=1)
            page.get_by_label(f"Day {day}").select_option(day)
            page.get_by_label(f"From {day}").fill("00:00")
            page.get_by_label(f"Until {day}").fill("00:00")
        page.get_by_label("After minutes 1").fill("15")
        page.get_by_label("Why").fill("first rota (invented)")
        with page.expect_navigation():
            page.get_by_role("button", name="Keep the plan").click()
        visit.assert_accessible()
        with empty_server.client() as admin:
            plan = admin.get("/v1/alert-plan")
        assert [turn["weekday"] for turn in plan["turns"]] == [1, 2]
        assert [(step["after_minutes"], step["subscription_id"]) for step in plan["steps"]] == [(15, None)]
