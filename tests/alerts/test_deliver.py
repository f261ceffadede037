"""Alerts reach a real receiver: signed, at least once, in order, on the standard's schedule."""

import json
from datetime import timedelta

import pytest
from freezegun import freeze_time
from sqlalchemy import select
from standardwebhooks import Webhook

from builders.receiver import listening
from rimekeep.alerts import usecases
from rimekeep.alerts.core.signing import RETRY_DELAYS
from rimekeep.alerts.jobs import deliver, prepare
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import StoredAnswer
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.platform.settings import load_settings


@pytest.fixture
def receiver():
    with listening() as opened:
        yield opened


@pytest.fixture
def say(api, database, clock):
    """Announce something, as a use case does: with a fact, in one transaction."""

    def _say(n, kind="excursion.opened"):
        site_id = api.callers["qa"].site_id
        with database.transaction() as session:
            record(session, site_id, Event("test.said", clock.now, data={"n": n}))
            announce(session, site_id, Notice(kind, clock.now, {"n": n}))

    return _say


def subscribe(api, receiver, **more):
    return api.made("/v1/subscriptions", {"url": receiver.url, **more})


def numbers(receiver):
    return [json.loads(body)["data"]["n"] for body in receiver.bodies]


def attempts(api, made):
    return api.ok("GET", f"/v1/subscriptions/{made['subscription']['id']}/attempts")["items"]


def state(api, made):
    return api.ok("GET", f"/v1/subscriptions/{made['subscription']['id']}")


def test_an_alert_verifies_with_the_reference_library(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    say(1)
    assert deliver(database, clock.now) == 1
    with freeze_time(clock.now):
        payload = Webhook(made["secret"]).verify(receiver.bodies[0], receiver.headers[0])
    assert payload == {
        "type": "excursion.opened",
        "timestamp": "2026-03-16T06:00:00Z",
        "seq": 1,
        "data": {"n": 1},
        "severity": "warning",
        "alert_id": api.ok("GET", "/v1/alerts")["items"][0]["id"],
    }
    assert receiver.paths == ["/cold?store=north"]
    assert receiver.headers[0]["Host"] == f"127.0.0.1:{receiver.port}"
    (tried,) = attempts(api, made)
    assert (tried["outbox_seq"], tried["attempt"], tried["status"], tried["error"]) == (1, 1, 200, "")
    assert (tried["duration_ms"] >= 0, tried["next_attempt_at"]) == (True, None)


def test_a_failed_alert_is_tried_again_on_the_standards_schedule(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    receiver.answers = [500, 500, 503]
    say(1)
    for failures in (1, 2, 3):
        deliver(database, clock.now)
        assert state(api, made)["attempts"] == failures
        # Too early by a second: nothing is sent. A tenth later than the schedule says: it is. The wait counts
        # from when the failure was noted, which a busy machine does seconds after the round began.
        clock.now += RETRY_DELAYS[failures] - timedelta(seconds=1)
        deliver(database, clock.now)
        assert len(receiver.bodies) == failures
        clock.now += timedelta(seconds=30) + RETRY_DELAYS[failures] / 10
    assert deliver(database, clock.now) == 1
    assert [one["status"] for one in attempts(api, made)] == [500, 500, 503, 200]
    assert [one["attempt"] for one in attempts(api, made)] == [1, 2, 3, 4]
    assert len({headers["webhook-id"] for headers in receiver.headers}) == 1
    assert len({headers["webhook-timestamp"] for headers in receiver.headers}) == 4
    assert state(api, made)["attempts"] == 0


def test_alerts_keep_their_order_for_each_receiver_whatever_fails(api, database, clock, receiver, say):
    subscribe(api, receiver)
    for n in range(5):
        say(n)
    receiver.answers = [200, 200, 500]
    with listening() as other:
        subscribe(api, other)
        say(5)
        deliver(database, clock.now)
        assert numbers(receiver) == [0, 1, 2]
        assert numbers(other) == [5]
        clock.now += timedelta(seconds=30)
        deliver(database, clock.now)
        assert numbers(receiver) == [0, 1, 2, 2, 3, 4, 5]
        assert numbers(other) == [5]


def test_a_receiver_gets_only_the_kinds_it_asked_for(api, database, clock, receiver, say):
    made = subscribe(api, receiver, kinds=["excursion.opened"])
    say(1, "excursion.ended")
    say(2)
    say(3, "excursion.ended")
    deliver(database, clock.now)
    assert numbers(receiver) == [2]
    assert state(api, made)["sorted_seq"] == 3


def test_a_redirect_is_not_followed(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    receiver.answers = [302]
    say(1)
    deliver(database, clock.now)
    assert receiver.paths == ["/cold?store=north"]
    assert "redirects are not followed" in attempts(api, made)[0]["error"]
    assert state(api, made)["attempts"] == 1


def test_a_receiver_that_drips_its_answer_is_given_up_in_time(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    receiver.drip_s = 0.05
    say(1)
    deliver(database, clock.now, timeout_s=0.3)
    assert (attempts(api, made)[0]["status"], attempts(api, made)[0]["error"]) == (
        0,
        "no answer within 0.3 s",
    )


def test_a_receiver_that_is_not_there_is_tried_again_later(api, database, clock, say):
    with listening() as receiver:
        made = subscribe(api, receiver)
    say(1)
    assert deliver(database, clock.now) == 0
    assert attempts(api, made)[0]["status"] == 0
    assert attempts(api, made)[0]["error"].startswith("no connection")
    assert state(api, made)["is_active"] is True


def test_a_name_that_leads_to_a_private_address_is_never_connected_to(
    api, database_url, database, clock, receiver, say
):
    """The number is 127.0.0.1 as old resolvers read it (POSIX inet_aton)."""
    made = api.made("/v1/subscriptions", {"url": f"https://2130706433:{receiver.port}/"})
    say(1)
    strict = Database(load_settings(database_url=database_url, webhook_allow_private=False))
    deliver(strict, clock.now)
    strict.dispose()
    assert receiver.connections == 0
    assert "leads to 127.0.0.1, which is not a public address" in attempts(api, made)[0]["error"]


def test_private_targets_are_refused_unless_the_installation_allows_them(api):
    body = {"url": "https://10.1.2.3/"}
    assert api.post("/v1/subscriptions", body).status_code == 201
    api.app.state.settings = api.app.state.settings.model_copy(update={"webhook_allow_private": False})
    problem = api.refused("/v1/subscriptions", body, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "url"
    assert "RIMEKEEP_WEBHOOK_ALLOW_PRIVATE" in problem["errors"][0]["mend"]


def test_a_secret_is_shown_once_and_stored_in_no_answer(api, database, receiver):
    body = {"url": receiver.url}
    made = api.made("/v1/subscriptions", body, key="once")
    api.refused("/v1/subscriptions", body, 409, "answered-once", key="once")
    assert made["secret"].startswith("whsec_")
    assert made["secret"] not in api.get("/v1/subscriptions").text
    assert made["secret"] not in api.get(f"/v1/subscriptions/{made['subscription']['id']}").text
    with database.transaction(readonly=True) as session:
        stored = list(session.scalars(select(StoredAnswer)))
    assert [answer.body for answer in stored] == [b""]
    assert len(api.ok("GET", "/v1/subscriptions")["items"]) == 1


def test_nothing_is_sent_after_deactivation_and_nothing_lost_by_it(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    address = f"/v1/subscriptions/{made['subscription']['id']}"
    assert api.ok("DELETE", address)["is_active"] is False
    assert api.ok("DELETE", address)["is_active"] is False
    say(1)
    assert deliver(database, clock.now) == 0
    assert api.made(f"{address}/resume")["is_active"] is True
    deliver(database, clock.now)
    assert numbers(receiver) == [1]


def test_a_receiver_that_is_gone_is_suspended_and_that_is_announced(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    receiver.answers = [410]
    say(1)
    deliver(database, clock.now)
    assert state(api, made)["is_active"] is False
    told = api.ok("GET", "/v1/outbox?kind=subscription.suspended")["items"]
    assert told[0]["data"] == {
        "id": made["subscription"]["id"], "undelivered_seq": 1, "reason": "the receiver says it is gone",
    }  # fmt: skip


def test_a_receiver_that_fails_the_whole_schedule_is_suspended_not_forgotten(
    api, database, clock, receiver, say
):
    made = subscribe(api, receiver)
    receiver.answers = [500] * len(RETRY_DELAYS)
    say(1)
    for delay in RETRY_DELAYS:
        clock.now += delay * 1.1 + timedelta(seconds=30)
        deliver(database, clock.now)
    assert len(receiver.bodies) == len(RETRY_DELAYS)
    assert state(api, made)["is_active"] is False
    api.made(f"/v1/subscriptions/{made['subscription']['id']}/resume")
    deliver(database, clock.now)
    sent = [json.loads(body) for body in receiver.bodies[len(RETRY_DELAYS) :]]
    assert [one["type"] for one in sent] == ["excursion.opened", "subscription.suspended"]
    assert sent[0]["data"] == {"n": 1}


def test_a_process_that_died_while_sending_sends_the_same_message_again(api, database, clock, receiver, say):
    made = subscribe(api, receiver)
    say(1)
    prepare(database, clock.now)
    with database.transaction() as session:
        taken = usecases.take_due(session, clock.now, made["subscription"]["id"])
    assert taken is not None
    # Another process looks while the first may still be sending: hands off.
    with database.transaction() as session:
        assert usecases.take_due(session, clock.now, made["subscription"]["id"]) is None
    assert deliver(database, clock.now) == 0
    clock.now += timedelta(seconds=61)
    assert deliver(database, clock.now) == 1
    assert receiver.headers[0]["webhook-id"] == taken.message_id


def test_the_outbox_holds_committed_facts_only(api, database, clock):
    site_id = api.callers["qa"].site_id

    def fail_after_announcing():
        with database.transaction() as session:
            announce(session, site_id, Notice("excursion.opened", clock.now, {"n": 1}))
            session.flush()
            raise ArithmeticError

    with pytest.raises(ArithmeticError):
        fail_after_announcing()
    with database.transaction() as session:
        announce(session, site_id, Notice("excursion.opened", clock.now, {"n": 2}))
    listed = api.ok("GET", "/v1/outbox")["items"]
    assert [(one["seq"], one["data"]["n"]) for one in listed] == [(1, 2)]


def test_only_admins_subscribe_and_another_sites_receivers_are_not_there(api, receiver):
    made = subscribe(api, receiver)
    for role in ("picker", "qa", "lead", "dispatcher", "gateway", "auditor"):
        api.as_(role).refused("/v1/subscriptions", {"url": receiver.url}, 403, "role-missing")
    other = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})
    api.tokens["south"] = other["token"]
    address = f"/v1/subscriptions/{made['subscription']['id']}"
    assert api.as_("south").get(address).status_code == 404
    assert api.as_("south").get(f"{address}/attempts").status_code == 404
    assert api.as_("south").request("DELETE", address).status_code == 404
    assert api.as_("south").ok("GET", "/v1/subscriptions")["items"] == []
