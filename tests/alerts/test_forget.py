"""What was delivered is not kept for ever; what waits is."""

from __future__ import annotations

from datetime import timedelta

from builders.alerting import Alerting
from builders.receiver import Receiver
from rimekeep.alerts.jobs import forget_letters


def run(site: Alerting) -> None:
    with site.database.transaction() as session:
        forget_letters(session, site.clock.now, site.api.callers["lead"].site_id)


def test_delivered_messages_are_removed_once_their_time_is_over(site: Alerting, receiver: Receiver) -> None:
    taken, waiting = site.subscribe(receiver), site.subscribe("http://127.0.0.1:9/")
    receiver.answers = [500]
    site.say(1)
    site.deliver()
    site.clock.now += timedelta(hours=1)
    assert site.deliver() == 1
    site.clock.now += timedelta(days=400)
    run(site)
    assert len(site.of(taken, "letters")) == 1, "no rules chosen yet"
    change = {"records_under": "eu", "reason": "as our adviser says"}
    path = f"/v1/sites/{site.api.callers['lead'].site_id}"
    assert site.api.request("PATCH", path, json=change, headers={"If-Match": "*"}).status_code == 200
    run(site)
    assert len(site.of(taken, "letters")) == 1, "its time is over a moment later"
    site.clock.now += timedelta(minutes=1)
    run(site)
    assert (site.of(taken, "letters"), site.of(taken)) == ([], [])
    assert len(site.of(waiting, "letters")) == 1
    told = {one["record"]: one for one in site.api.as_("auditor").ok("GET", "/v1/records")["kinds"]}
    assert (told["letters"]["oldest_at"], told["letters"]["is_removable"]) == (None, True)
