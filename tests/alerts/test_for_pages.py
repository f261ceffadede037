"""What only tells open pages to look anew wakes nobody."""

from __future__ import annotations

from builders.alerting import Alerting
from builders.receiver import Receiver


def test_what_is_for_pages_makes_no_alert_and_no_message(site: Alerting, receiver: Receiver) -> None:
    taken = site.subscribe(receiver)
    site.say(1, "deck.changed")
    site.say(2, "plan.confirmed")
    site.say(3, "deck.changed")
    site.deliver()
    alerts = site.api.ok("GET", "/v1/alerts")["items"]
    assert len(alerts) == 1
    assert len(site.of(taken, "letters")) == 1
    announced = site.api.ok("GET", "/v1/outbox")["items"]
    assert [one["kind"] for one in announced] == ["deck.changed", "plan.confirmed", "deck.changed"]
    assert site.deliver() == 0, "what is not for them keeps no receiver behind"
