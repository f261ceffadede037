"""Signatures against the records of fixtures/checks/webhooks.json and the reference library standardwebhooks."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from freezegun import freeze_time
from hypothesis import given, settings
from hypothesis import strategies as st
from standardwebhooks import Webhook

from rimekeep.alerts.core import signing
from rimekeep.errors import Invalid

RECORDS = json.loads(
    (Path(__file__).parents[2] / "fixtures/checks/webhooks.json").read_text(encoding="utf-8")
)["records"]
SECRET = RECORDS[0]["inputs"]["secret"]


def of_kind(kind):
    return [
        pytest.param(one["inputs"], one["expected"], id=one["id"])
        for one in RECORDS
        if one["inputs"]["kind"] == kind
    ]


@pytest.mark.parametrize(("inputs", "expected"), of_kind("sign"))
def test_the_signature_is_the_published_one(inputs, expected):
    made = signing.sign(inputs["secret"], inputs["id"], inputs["timestamp"], inputs["body"])
    assert made == expected["webhook_signature"]
    assert signing.sign(inputs["secret"], inputs["id"], inputs["timestamp"], inputs["body"].encode()) == made


@pytest.mark.parametrize(("inputs", "expected"), of_kind("verify"))
def test_a_message_is_accepted_just_when_the_standard_says_so(inputs, expected):
    accepted = signing.verify(
        inputs["secret"],
        inputs["headers"],
        inputs["body"],
        now=inputs["now"],
        tolerance_s=inputs["tolerance_s"],
    )
    assert accepted is expected["accept"]


@settings(deadline=None, max_examples=25)
@given(st.binary(min_size=24, max_size=64), st.text(max_size=60), st.integers(10**9, 2 * 10**9))
def test_the_reference_library_accepts_our_signature_and_we_accept_its(key, body, now):
    secret, at = signing.new_secret(key), datetime.fromtimestamp(now, UTC)
    headers = {"webhook-id": "msg_1", "webhook-timestamp": str(now)}
    ours = signing.sign(secret, "msg_1", now, body)
    assert ours == Webhook(secret).sign("msg_1", at, body)
    with freeze_time(at):
        Webhook(secret).verify(body, headers | {"webhook-signature": ours}, json_parse=False)
    assert signing.verify(secret, headers | {"Webhook-Signature": ours}, body, now=now)


@pytest.mark.parametrize(("late_s", "accepted"), [(-301, False), (-300, True), (300, True), (301, False)])
def test_time_may_differ_by_five_minutes_to_either_side(late_s, accepted):
    headers = {
        "webhook-id": "m",
        "webhook-timestamp": "1000000",
        "webhook-signature": signing.sign(SECRET, "m", 10**6, "{}"),
    }
    assert signing.verify(SECRET, headers, "{}", now=10**6 + late_s) is accepted


@pytest.mark.parametrize(
    "change",
    [
        {"webhook-id": ""},
        {"webhook-id": "other"},
        {"webhook-timestamp": "soon"},
        {"webhook-timestamp": "1e6"},
        {"webhook-timestamp": "٣"},
        {"webhook-signature": ""},
        {"webhook-signature": "v1,"},
        {"webhook-signature": "é"},
    ],
)
def test_a_malformed_header_is_a_refusal_not_a_crash(change):
    headers = {
        "webhook-id": "m",
        "webhook-timestamp": "1000000",
        "webhook-signature": signing.sign(SECRET, "m", 10**6, "{}"),
    }
    assert signing.verify(SECRET, headers, "{}", now=10**6)
    assert not signing.verify(SECRET, headers | change, "{}", now=10**6)


def test_another_secret_does_not_verify():
    headers = {
        "webhook-id": "m",
        "webhook-timestamp": "1000000",
        "webhook-signature": signing.sign(SECRET, "m", 10**6, "{}"),
    }
    assert not signing.verify(signing.new_secret(b"x" * 24), headers, "{}", now=10**6)


@pytest.mark.parametrize("secret", ["", "whsec_", "whsec_not base64!", "whsec_é"])
def test_an_unusable_secret_is_named_as_such_and_never_repeated(secret):
    with pytest.raises(signing.SecretError) as caught:
        signing.sign(secret, "m", 1, "")
    assert "base64!" not in str(caught.value)


@pytest.mark.parametrize("message_id", ["", "a.b"])
def test_a_message_id_that_blurs_the_signed_fields_is_refused(message_id):
    with pytest.raises(Invalid):
        signing.sign(SECRET, message_id, 1, "")


@pytest.mark.parametrize("length", [23, 65])
def test_a_secret_has_the_length_the_standard_asks_for(length):
    with pytest.raises(signing.SecretError):
        signing.new_secret(bytes(length))


def test_retries_follow_the_schedule_of_the_standard():
    # Standard Webhooks 1.0.0, "Deliverability and reliability": the last attempt 75:35:05 after the first.
    assert len(signing.RETRY_DELAYS) == 10
    assert sum(signing.RETRY_DELAYS, timedelta()) == timedelta(hours=75, minutes=35, seconds=5)
