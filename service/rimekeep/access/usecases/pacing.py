"""Passwords tried to sign for something: counted by person and address, whatever becomes of the request."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from ipaddress import IPv6Address, ip_address, ip_network

from sqlalchemy.orm import Session

from rimekeep.access.core import slowdown
from rimekeep.access.core.slowdown import PACES, Way
from rimekeep.access.tables import SignInPace
from rimekeep.errors import Limit, TooSoon
from rimekeep.platform import audit
from rimekeep.platform.database import keep_so_far, take_turns
from rimekeep.wording import say

POLICY, _PACE = "signature", PACES[Way.SIGNATURE]


def where_from(address: str) -> str:
    """Return the address tries are counted by: whoever has an IPv6 network has 2^64 addresses in it."""
    try:
        parsed = ip_address(address)
    except ValueError:
        return address
    return str(ip_network((parsed, 64), strict=False)) if isinstance(parsed, IPv6Address) else address


def pace_key(way: Way, *parts: object) -> str:
    """Return what tries are counted under."""
    return hashlib.sha256("\n".join((way, *map(str, parts))).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class SignatureTry:
    """One password shown to sign, counted as a failure before it is looked at."""

    key: str
    failures: int

    def passed(self, session: Session) -> None:
        """Forget the failures, this one too, though the request may be undone for another reason."""
        session.delete(session.get_one(SignInPace, self.key))
        keep_so_far(session)

    def limit(self, now: datetime) -> Limit:
        """Return how the limit stands after a failure."""
        left = slowdown.left(Way.SIGNATURE, self.failures)
        return Limit(POLICY, _PACE.free, left, slowdown.wait_s(Way.SIGNATURE, self.failures, now, now))


def begin_signature(session: Session, now: datetime, principal_id: int) -> SignatureTry:
    """
    Count a try; raise if a person's password was tried too often from this address.

    Whoever tries at the same moment waits until this try is counted for good. A token is not asked here.
    """
    key = pace_key(Way.SIGNATURE, principal_id, where_from(audit.address_of(session)))
    take_turns(session, f"sign-in {key}")
    row = session.get(SignInPace, key, populate_existing=True)
    if row is None:
        row = SignInPace(key=key, failures=0, last_at=now)
        session.add(row)
    wait_s = slowdown.wait_s(Way.SIGNATURE, row.failures, row.last_at, now)
    if wait_s:
        raise TooSoon(
            "too-many-tries",
            say(
                "Too many wrong passwords. Wait {wait_s} seconds, or use your own token; nothing was done.",
                wait_s=wait_s,
            ),
            limit=Limit(POLICY, _PACE.free, 0, wait_s),
        )
    row.failures, row.last_at = slowdown.failures_now(row.failures, row.last_at, now) + 1, now
    keep_so_far(session)
    return SignatureTry(key, row.failures)
