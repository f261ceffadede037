"""What is sent to whom, when and how: filters, quiet hours, gathering, secrets, tests, the log; and mail."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

import pytest
from freezegun import freeze_time
from standardwebhooks import Webhook, WebhookVerificationError

from builders.alerting import Alerting, numbers
from builders.mailbox import mailbox
from builders.receiver import Receiver, listening
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings

MINUTE = timedelta(minutes=1)


def test_a_receiver_gets_what_is_of_its_zones_and_grave_enough(site: Alerting, receiver: Receiver) -> None:
    cold, warm = site.zone("COLD"), site.zone("WARM")
    site.subscribe(receiver, zone_ids=[cold], least_severity="warning")
    site.say(1, "count.differs", zone_id=cold)
    site.say(2, "count.differs", zone_id=warm)
    site.say(3, "excursion.opened", zone="COLD", severity="info")
    site.say(4, "excursion.opened", zone="WARM", severity="critical")
    site.say(5, "unit.frozen")
    site.say(6, "excursion.opened", zone="COLD", severity="critical")
    site.deliver()
    assert numbers(receiver) == [1, 5, 6]


def test_one_compressor_trip_is_one_message_and_one_update(site: Alerting, receiver: Receiver) -> None:
    """Three rules and a silent sensor within minutes: told at once, then together; the next trip is told anew."""
    site.zone("COLD")
    made = site.subscribe(receiver)
    for n in (1, 2, 3, 4):
        site.say(n, zone="COLD", severity="warning")
        site.deliver()
        site.clock.now += 2 * MINUTE
    assert numbers(receiver) == [1]
    site.clock.now += 7 * MINUTE + timedelta(seconds=1)
    site.deliver()
    assert numbers(receiver) == [1, [2, 3, 4]]
    said = json.loads(receiver.bodies[1])
    assert (said["type"], said["severity"], said["seq"], said["data"]["count"]) == (
        "alert.gathered",
        "warning",
        4,
        3,
    )
    (alert,) = site.api.ok("GET", "/v1/alerts")["items"]
    assert site.api.ok("GET", f"/v1/alerts/{alert['id']}")["seqs"] == [1, 2, 3, 4]
    assert [one["purpose"] for one in site.of(made, "letters")] == ["first", "gathered"]
    site.say(5, zone="COLD", severity="warning")
    site.deliver()
    assert numbers(receiver)[2:] == [5]


def test_what_is_graver_than_what_was_told_does_not_wait(site: Alerting, receiver: Receiver) -> None:
    site.zone("COLD")
    site.subscribe(receiver)
    for n, severity in enumerate(("warning", "warning", "critical", "critical")):
        site.say(n, zone="COLD", severity=severity)
    site.deliver()
    assert numbers(receiver) == [0, 2]
    site.clock.now += 15 * MINUTE
    site.deliver()
    assert numbers(receiver) == [0, 2, [1, 3]]


def test_quiet_hours_hold_back_all_but_the_critical(site: Alerting, receiver: Receiver) -> None:
    """The clock stands at 06:00 UTC, the site's clocks are on UTC; nothing is lost and nothing comes early."""
    made = site.subscribe(receiver, quiet_from="05:00", quiet_until="07:30")
    site.say(1, "count.differs")
    site.say(2, "excursion.opened", severity="critical")
    site.say(3, "orders.short")
    site.deliver()
    assert numbers(receiver) == [2]
    assert [one["due_at"] for one in site.of(made, "letters?is_waiting=true")] == ["2026-03-16T07:30:00Z"] * 2
    site.clock.now += 89 * MINUTE
    assert site.deliver() == 0
    site.clock.now += MINUTE
    site.deliver()
    assert numbers(receiver) == [2, 1, 3]


def test_both_secrets_sign_for_a_day_after_the_change(site: Alerting, receiver: Receiver) -> None:
    """Verified by the reference library standardwebhooks."""
    made = site.subscribe(receiver)
    changed = site.api.made(f"/v1/subscriptions/{made['id']}/secret")
    assert changed["secret"] != made["secret"]
    assert changed["subscription"]["previous_until"] == "2026-03-17T06:00:00Z"
    site.say(1)
    site.deliver()
    site.clock.now += timedelta(hours=24)
    site.say(2)
    site.deliver()
    during, after = receiver.headers
    assert len(during["webhook-signature"].split()) == 2
    assert len(after["webhook-signature"].split()) == 1
    with freeze_time(site.clock.now - timedelta(hours=24)):
        for secret in (made["secret"], changed["secret"]):
            Webhook(secret).verify(receiver.bodies[0], during)
    with freeze_time(site.clock.now):
        Webhook(changed["secret"]).verify(receiver.bodies[1], after)
        with pytest.raises(WebhookVerificationError):
            Webhook(made["secret"]).verify(receiver.bodies[1], after)


def test_a_test_comes_at_once_after_what_waits_and_is_in_the_log(site: Alerting, receiver: Receiver) -> None:
    made = site.subscribe(receiver, quiet_from="05:00", quiet_until="07:30")
    receiver.answers = [503, 503]
    site.say(1, "excursion.opened", severity="critical")
    site.deliver()
    site.clock.now += timedelta(seconds=30)
    site.deliver()
    site.clock.now += timedelta(seconds=30)
    assert site.deliver() == 0
    letter = site.api.made(f"/v1/subscriptions/{made['id']}/test")
    assert site.deliver() == 2
    assert [json.loads(body)["type"] for body in receiver.bodies[2:]] == [
        "excursion.opened",
        "subscription.test",
    ]
    (tried,) = site.of(made, f"attempts?letter_id={letter['id']}")
    assert (tried["status"], tried["outbox_seq"], tried["attempt"]) == (200, 0, 1)
    assert receiver.headers[-1]["webhook-id"] == letter["message_id"]
    failed = site.of(made)[0]
    assert failed["status"] == 503
    assert failed["next_attempt_at"] > failed["at"]
    site.api.ok("DELETE", f"/v1/subscriptions/{made['id']}")
    site.api.refused(f"/v1/subscriptions/{made['id']}/test", None, 409, "subscription-inactive")


def test_the_log_is_paged(site: Alerting, receiver: Receiver) -> None:
    made = site.subscribe(receiver)
    for n in range(5):
        site.say(n)
    site.deliver()
    path, seen = f"/v1/subscriptions/{made['id']}/attempts?limit=2", []
    page = site.api.ok("GET", path)
    while True:
        seen += [one["outbox_seq"] for one in page["items"]]
        if page["next_cursor"] is None:
            break
        page = site.api.ok("GET", f"{path}&cursor={page['next_cursor']}")
    assert seen == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    ("asked", "earliest_s", "latest_s"),
    [("120", 120, 120), ("Mon, 16 Mar 2026 06:10:00 GMT", 595, 600), ("999999999", 86400, 86400), ("soon", 5, 5.6),
     ("-5", 5, 5.6), ("1", 5, 5.6)],
)  # fmt: skip
def test_retry_after_is_honoured_within_bounds(
    site: Alerting, receiver: Receiver, asked: str, earliest_s: float, latest_s: float
) -> None:
    """Seconds or a date (RFC 9110, 10.2.3); never sooner than the schedule, never later than a day."""
    made = site.subscribe(receiver)
    receiver.answers, receiver.retry_after = [429], asked
    site.say(1)
    begun = site.clock.now
    site.deliver()

    wait_s = (datetime.fromisoformat(site.state(made)["next_attempt_at"]) - begun).total_seconds()
    # The clock of a round runs on from where the test's stands.
    assert earliest_s <= wait_s <= latest_s + 5


def mailing(site: Alerting, url: str, port: int, **more: Any) -> Database:
    settings = load_settings(
        database_url=url,
        smtp_host="127.0.0.1",
        smtp_port=port,
        smtp_tls="none",
        webhook_allow_private=True,
        smtp_sender="cold@north.example",
        **more,
    )
    site.database.dispose()
    site.database = Database(settings)
    return site.database


def test_mail_reaches_a_mail_server(site: Alerting, database_url: str) -> None:
    """Handed to aiosmtpd, parsed by the standard library."""
    with mailbox(wants_sign_in=True) as post:
        opened = mailing(site, database_url, post.port, smtp_user="rime", smtp_password="invented")
        made = site.subscribe("mailto:qa%2Bnight@brewery.example", least_severity="warning")
        assert made["secret"] == ""
        site.zone("COLD")
        site.say(1, zone="COLD", severity="critical", note="naïve\r\nBcc: other@brewery.example")
        assert site.deliver() == 1
        opened.dispose()
    (mail,) = post.mails
    assert post.signed_in == [("rime", "invented")]
    assert (mail["From"], mail["To"]) == ("cold@north.example", "qa+night@brewery.example")
    assert (mail["X-Envelope-To"], mail["Bcc"]) == ("qa+night@brewery.example", None)
    assert mail["Subject"] == "[NORTH] critical: excursion.opened in COLD"
    assert mail["Message-ID"].endswith("@north.example>")
    assert "  note: naïve Bcc: other@brewery.example" in mail.get_content().splitlines()
    assert [(one["status"], one["error"]) for one in site.of(made)] == [(250, "")]
    site.api.refused(f"/v1/subscriptions/{made['id']}/secret", None, 409, "no-secret")


def test_mail_that_is_refused_is_tried_again_and_says_so(site: Alerting, database_url: str) -> None:
    with mailbox() as post:
        opened = mailing(site, database_url, post.port)
        made = site.subscribe("mailto:qa@brewery.example")
        post.answers = ["451 come back later"]
        site.say(1)
        assert site.deliver() == 0
        site.clock.now += timedelta(seconds=30)
        assert site.deliver() == 1
        opened.dispose()
    assert [one["status"] for one in site.of(made)] == [451, 250]
    assert len(post.mails) == 1


def test_a_mail_server_that_hangs_or_is_missing_holds_nobody_up(
    site: Alerting, database_url: str, receiver: Receiver
) -> None:
    with listening() as silent:
        # A web server waits for the client to speak first, and so does a client of a mail server: for ever.
        opened = mailing(site, database_url, silent.port)
        made = site.subscribe("mailto:qa@brewery.example")
        site.subscribe(receiver)
        site.say(1)
        assert site.deliver(timeout_s=0.5) == 1
        opened.dispose()
    assert site.of(made)[0]["error"] == "no answer within 0.5 s"
    opened = site.database = Database(load_settings(database_url=database_url))
    site.clock.now += timedelta(seconds=30)
    site.deliver()
    opened.dispose()
    assert "no mail server is named" in site.of(made)[1]["error"]


@pytest.mark.parametrize(
    ("body", "status"),
    [({"quiet_from": "22:00"}, 422), ({"quiet_from": "22:00", "quiet_until": "22:00"}, 422),
     ({"quiet_from": "24:00", "quiet_until": "06:00"}, 422), ({"zone_ids": [2**62]}, 404), ({"person_id": 2**62}, 404),
     ({"least_severity": "grave"}, 422), ({"url": "mailto:a@b?bcc=c@d"}, 422), ({"url": "ftp://a.example/"}, 422)],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(
    site: Alerting, receiver: Receiver, body: dict[str, Any], status: int
) -> None:
    assert site.api.post("/v1/subscriptions", {"url": receiver.url, **body}).status_code == status
