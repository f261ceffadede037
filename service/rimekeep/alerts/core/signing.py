"""
Signatures on outgoing alerts, after Standard Webhooks 1.0.0.

Source: github standard-webhooks/standard-webhooks, spec/standard-webhooks.md: symmetric scheme ``v1``,
HMAC-SHA256 over ``id.timestamp.body`` with the key behind ``whsec_`` in base64.
"""

import binascii
import hashlib
import hmac
from base64 import b64decode, b64encode
from collections.abc import Mapping
from datetime import timedelta

from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.wording import say

SECRET_PREFIX = "whsec_"  # noqa: S105 - the standard's mark of a secret, not one
ID_HEADER = "webhook-id"
TIMESTAMP_HEADER = "webhook-timestamp"
SIGNATURE_HEADER = "webhook-signature"

# The example schedule of the specification: wait before each attempt, counted from the failure of the one
# before. The specification advises some random jitter on top, which belongs to the caller.
RETRY_DELAYS: tuple[timedelta, ...] = (
    timedelta(0),
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)


class SecretError(Invalid):
    """A signing secret cannot be used; the secret itself is never repeated in the message."""


def _secret_error(detail: str, mend: str) -> SecretError:
    return SecretError(
        "webhook-secret", "The signing secret cannot be used.", (Fault("secret", detail, mend),)
    )


def new_secret(random_bytes: bytes) -> str:
    """
    Return a fresh secret in the standard's form.

    ``random_bytes`` are 24...64 bytes from a cryptographic source, one draw per receiver.
    """
    if not 24 <= len(random_bytes) <= 64:
        raise _secret_error(
            say("{n} bytes are not 24 to 64.", n=len(random_bytes)), say("Draw 32 random bytes.")
        )
    return SECRET_PREFIX + b64encode(random_bytes).decode("ascii")


def _key(secret: str) -> bytes:
    encoded = secret.removeprefix(SECRET_PREFIX)
    try:
        key = b64decode(encoded + "=" * (-len(encoded) % 4), validate=True)
    except (binascii.Error, ValueError):
        raise _secret_error(say("It is not base64."), say("Copy it whole, from whsec_ to the end.")) from None
    if not key:
        raise _secret_error(say("It is empty."), say("Make a new one."))
    return key


def sign(secret: str, message_id: str, timestamp: int, body: str | bytes) -> str:
    """
    Return the signature of one message.

    Parameters
    ----------
    secret
        ``whsec_`` and the key in base64; the prefix may be missing.
    message_id
        The same for every attempt to deliver the message; must hold no full stop, which parts the signed
        fields.
    timestamp
        Time of this attempt, whole seconds since the Unix epoch. [s]
    body
        Exactly what is sent; text is sent as UTF-8.

    Returns
    -------
    str
        ``v1,`` and the HMAC-SHA256 in base64.

    Raises
    ------
    SecretError
        The secret is empty or not base64.
    Invalid
        The message id is empty or holds a full stop.

    Examples
    --------
    >>> sign("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330,
    ...      '{"test": 2432232314}')
    'v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE='
    """
    if not message_id or "." in message_id:
        raise invalid(
            "message_id",
            say("{message_id!r} is empty or holds a full stop.", message_id=message_id),
            say("Use letters, digits and _."),
        )
    return _signature(_key(secret), message_id, timestamp, body)


def _signature(key: bytes, message_id: str, timestamp: int, body: str | bytes) -> str:
    raw = body.encode() if isinstance(body, str) else body
    digest = hmac.new(key, f"{message_id}.{timestamp}.".encode() + raw, hashlib.sha256).digest()
    return f"v1,{b64encode(digest).decode('ascii')}"


def verify(
    secret: str, headers: Mapping[str, str], body: str | bytes, *, now: float, tolerance_s: float = 300
) -> bool:
    """
    Tell whether a received message carries a signature made with ``secret``.

    Parameters
    ----------
    secret
        As for `sign`.
    headers
        Must hold webhook-id, webhook-timestamp and webhook-signature, in any case. Of several signatures,
        parted by spaces, one of version v1 has to match: during a change of secret both are sent.
    body
        Exactly what was received.
    now
        Receiver's time, seconds since the Unix epoch. [s]
    tolerance_s
        How far the timestamp may lie from ``now``, to either side. 300 s is the reference libraries' value.
        [s]

    Returns
    -------
    bool
        False for anything missing, malformed, too old, too new or not matching. Compared in constant time.

    Raises
    ------
    SecretError
        The secret is empty or not base64.
    """
    key = _key(secret)
    found = {name.lower(): value for name, value in headers.items()}
    message_id, stamp = found.get(ID_HEADER, ""), found.get(TIMESTAMP_HEADER, "")
    if not (message_id and stamp.isascii() and stamp.isdigit() and len(stamp) <= 15):
        return False
    if abs(now - int(stamp)) > tolerance_s:
        return False
    expected = _signature(key, message_id, int(stamp), body).encode("ascii")
    is_signed = False
    for candidate in found.get(SIGNATURE_HEADER, "").split():
        is_signed |= hmac.compare_digest(expected, candidate.encode())
    return is_signed
