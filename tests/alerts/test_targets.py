"""Where alerts may go. Private ranges: IANA special-purpose address registries (RFC 6890 and its successors), RFC 4291."""

import pytest

from rimekeep.alerts.core.schedule import MAX_ATTEMPTS, wait_after
from rimekeep.alerts.core.signing import RETRY_DELAYS
from rimekeep.alerts.core.targets import address_refusal, target_of
from rimekeep.errors import Invalid


@pytest.mark.parametrize(
    "url",
    [
        "https://127.0.0.1/",
        "https://10.1.2.3/",
        "https://172.16.0.1/",
        "https://100.64.0.1/",
        "https://[::1]/",
        "https://[::ffff:192.168.0.1]/",
        "https://localhost/",
        "https://LOCALHOST./",
        "https://a.localhost/",
        "https://169.254.169.254/latest",
        "https://[64:ff9b::a00:1]/",
        "https://[fd00::1]/",
        "https://[fe80::1]/",
        "https://0.0.0.0/",
        "https://[2002:7f00:1::]/",
        "https://224.0.0.1/",
        "https://192.0.0.8/",
        "https://192.88.99.1/",
        "https://[::7f00:1]/",
        "https://[64:ff9b:1::a00:1]/",
        "https://[fec0::1]/",
        "http://alerts.example/",
    ],
)
def test_private_and_unencrypted_targets_are_refused_unless_allowed(url):
    with pytest.raises(Invalid) as raised:
        target_of(url, is_private_allowed=False)
    assert raised.value.faults[0].field == "url"
    assert target_of(url, is_private_allowed=True).host


@pytest.mark.parametrize(
    "url",
    [
        "",
        "alerts.example",
        "ftp://alerts.example/",
        "//alerts.example",
        "https://",
        "https://u:p@alerts.example/",
        "https://u@alerts.example/",
        "https://a b/",
        "https://alerts.example/a\nb",
        "https://alerts.example:99999/",
        "https://alerts.example:x/",
        "https://alerts.example/#part",
        "https://bücher.example/",
        "https://[::1/",
    ],
)
def test_what_is_no_receivers_address_is_refused(url):
    with pytest.raises(Invalid):
        target_of(url, is_private_allowed=True)


def test_a_public_address_is_taken_apart():
    target = target_of("https://Alerts.Example:8443/cold?store=1", is_private_allowed=False)
    assert (target.scheme, target.host, target.port) == ("https", "alerts.example", 8443)
    assert target_of("https://9.9.9.9/", is_private_allowed=False).port == 443
    assert address_refusal("2620:fe::fe") is None


def test_the_waits_are_the_schedules_and_at_most_a_tenth_more():
    for failures, delay in enumerate(RETRY_DELAYS[1:], start=1):
        waits = {wait_after(failures, message_id=f"msg_{n}", subscription_id=n) for n in range(50)}
        assert all(delay <= wait <= delay * 1.1 for wait in waits)
        assert len(waits) > 40
    assert wait_after(MAX_ATTEMPTS, message_id="msg_1", subscription_id=1) is None
