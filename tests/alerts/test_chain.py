"""Who is told when nobody answers: rota, chain, acknowledgement; told with a clock that the tests move."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest

from builders.alerting import Alerting
from builders.receiver import Receiver, listening
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings

MINUTE = timedelta(minutes=1)
# 2026-03-16, when the clock of the tests begins, is a Monday.
MONDAY = {"weekday": 1, "starts": "00:00", "ends": "06:20"}


def plan(
    site: Alerting, steps: list[tuple[int, Any]], turns: list[dict[str, Any]] | None = None, **more: Any
) -> Any:
    body = {
        "turns": turns or [],
        "steps": [{"after_minutes": minutes, "subscription_id": one and one["id"]} for minutes, one in steps],
        "reason": "the week's rota (invented)",
        **more,
    }
    return site.api.as_("lead").made("/v1/alert-plan", body)


def types(receiver: Receiver) -> list[str]:
    return [json.loads(body)["type"] for body in receiver.bodies]


def only(site: Alerting) -> dict[str, Any]:
    (found,) = site.api.ok("GET", "/v1/alerts?least_severity=critical")["items"]
    return dict(found)


def pass_minutes(site: Alerting, minutes: int) -> None:
    site.clock.now += minutes * MINUTE
    site.deliver()


def test_who_does_not_answer_is_followed_by_the_next_until_all_are_told(
    site: Alerting, database_url: str, receiver: Receiver
) -> None:
    """On call until 06:20: told at once; then the lead, then all. The process is another one each time."""
    with listening() as called, listening() as lead:
        night = site.subscribe(called, is_for_duty=True)
        second = site.subscribe(lead, is_for_duty=True)
        site.subscribe(receiver)
        set_plan = plan(
            site, [(0, None), (10, second), (30, None)], [{**MONDAY, "subscription_id": night["id"]}]
        )
        assert set_plan["on_call"] == [night["id"]]
        site.say(1, severity="critical")
        site.say(2, severity="warning")
        pass_minutes(site, 0)
        assert (types(called), types(lead)) == (["alert.escalated"], [])
        for minutes in (9, 1):
            site.database.dispose()
            site.database = Database(load_settings(database_url=database_url, webhook_allow_private=True))
            pass_minutes(site, minutes)
            assert len(types(lead)) == (minutes == 1)
        said = json.loads(lead.bodies[0])
        assert [one["data"]["n"] for one in said["data"]["notices"]] == [1]
        # Nobody is on call at 06:30, and the chain is at its end.
        pass_minutes(site, 20)
        pass_minutes(site, 0)
        assert len(types(called)) == len(types(lead)) == 1
        assert types(receiver) == ["excursion.opened", "excursion.opened", "alert.unanswered"]
        assert only(site)["next_step_at"] is None
        site.database.dispose()


@pytest.mark.parametrize(("answered_after", "told"), [(5, 0), (15, 1)])
def test_whoever_takes_it_on_stops_the_chain(
    site: Alerting, receiver: Receiver, answered_after: int, told: int
) -> None:
    made = site.subscribe(receiver, is_for_duty=True)
    plan(site, [(10, made), (20, made)])
    site.say(1, severity="critical")
    site.deliver()
    pass_minutes(site, answered_after)
    found = only(site)
    taken = site.api.as_("qa").made(f"/v1/alerts/{found['id']}/acknowledge", {"note": "on my way"})
    assert (taken["acknowledged_by"], taken["note"]) == (site.api.callers["qa"].id, "on my way")
    assert taken["acknowledged_at"] is not None
    for _ in range(12):
        pass_minutes(site, 10)
    assert len(types(receiver)) == told
    problem = site.api.refused(f"/v1/alerts/{found['id']}/acknowledge", {}, 409, "acknowledged")
    assert problem["data"]["acknowledged_by"] == site.api.callers["qa"].id
    assert site.api.ok("GET", "/v1/alerts?is_open=true")["items"] == []


def test_the_last_one_s_silence_is_told_to_all_once(site: Alerting, receiver: Receiver) -> None:
    made = site.subscribe(receiver)
    plan(site, [(5, made)])
    site.say(1, severity="critical")
    for minutes in (0, 5, 14, 1, 0, 60, 60):
        pass_minutes(site, minutes)
    assert types(receiver) == ["excursion.opened", "alert.escalated", "alert.unanswered"]


def test_an_alert_that_grows_grave_is_followed_up_from_then(site: Alerting, receiver: Receiver) -> None:
    site.zone("COLD")
    made = site.subscribe(receiver, is_for_duty=True)
    plan(site, [(5, made)])
    site.say(1, severity="warning", zone="COLD")
    for _ in range(2):
        pass_minutes(site, 5)
    assert types(receiver) == []
    site.say(2, severity="critical", zone="COLD")
    pass_minutes(site, 0)
    assert types(receiver) == ["alert.escalated"]


def test_a_receiver_that_is_switched_off_is_passed_over(site: Alerting, receiver: Receiver) -> None:
    with listening() as other:
        first, second = site.subscribe(other, is_for_duty=True), site.subscribe(receiver, is_for_duty=True)
        plan(site, [(1, first), (60, second)])
        site.api.ok("DELETE", f"/v1/subscriptions/{first['id']}")
        site.say(1, severity="critical")
        site.deliver()
        pass_minutes(site, 1)
        assert (types(other), types(receiver)) == ([], ["alert.escalated"])


def test_a_plan_that_cannot_be_meant_is_refused(site: Alerting, receiver: Receiver) -> None:
    made = site.subscribe(receiver)
    good = {"reason": "as agreed (invented)", "turns": [], "steps": []}
    step = {"after_minutes": 5, "subscription_id": made["id"]}
    lead = site.api.as_("lead")
    for wrong, status in (
        ({"steps": [{"after_minutes": 5, "subscription_id": None}]}, 422),
        ({"steps": [step, {**step, "after_minutes": 4}]}, 422),
        ({"steps": [{**step, "subscription_id": 2**62}]}, 404),
        ({"turns": [{**MONDAY, "weekday": 8, "subscription_id": made["id"]}]}, 422),
        ({"turns": [{**MONDAY, "starts": "6:20", "subscription_id": made["id"]}]}, 422),
    ):
        assert lead.post("/v1/alert-plan", {**good, **wrong}).status_code == status, wrong
    assert site.api.ok("GET", "/v1/alert-plan")["steps"] == []
