"""Who wants to be told, what of, when and where."""

import secrets
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

from sqlalchemy.orm import Session

from rimekeep.access import queries as access
from rimekeep.access.core.roles import Caller
from rimekeep.alerts import queries
from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.core.letters import Purpose
from rimekeep.alerts.core.signing import new_secret
from rimekeep.alerts.core.targets import is_mail, mailbox_of, target_of
from rimekeep.alerts.tables import Letter, Subscription
from rimekeep.errors import conflict, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.wording import say

# For so long after a change of secret both sign, so that the receiver may change over without missing
# anything.
OVERLAP = timedelta(hours=24)


def add_subscription(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    url: str,
    kinds: Sequence[str],
    zone_ids: Sequence[int],
    least_severity: Severity,
    quiet_hours: tuple[str, str] | None,
    is_for_duty: bool,
    person_id: int | None,
    is_private_allowed: bool,
) -> Subscription:
    """
    Subscribe a receiver to everything announced from now on.

    The secret its messages are signed with is in the row; it is shown once and never again. A mailbox has
    none.
    """
    host = mailbox_of(url).rpartition("@")[2] if is_mail(url) else None
    host = host or target_of(url, is_private_allowed=is_private_allowed).host
    _require_here(session, caller, zone_ids, person_id)
    quiet_from, quiet_until = quiet_hours or (None, None)
    added = Subscription(
        site_id=caller.site_id,
        url=url,
        secret="" if is_mail(url) else _new_secret(),
        kinds=sorted(set(kinds)),
        zone_ids=sorted(set(zone_ids)),
        least_severity=least_severity,
        quiet_from=quiet_from,
        quiet_until=quiet_until,
        is_for_duty=is_for_duty,
        person_id=person_id,
        sorted_seq=queries.outbox_head(session, caller.site_id),
    )
    session.add(added)
    session.flush()
    # A path may hold a password of the receiver's own, so the ledger keeps the host only.
    data = {"id": added.id, "host": host, "kinds": added.kinds}
    record(session, caller.site_id, Event("subscription.added", now, actor_id=caller.id, data=data))
    return added


def _require_here(session: Session, caller: Caller, zone_ids: Sequence[int], person_id: int | None) -> None:
    for zone_id in zone_ids:
        stock.zone(session, caller.site_id, zone_id)
    if person_id is not None:
        access.principal(session, caller.site_id, person_id)


def change_wanted(
    session: Session,
    now: datetime,
    caller: Caller,
    found: Subscription,
    *,
    reason: str,
    changes: Mapping[str, Any],
) -> Subscription:
    """
    Change what a receiver is sent from now on, and when; what is written to it already still goes.

    Where it goes to stays: another address is another receiver, with a secret of its own.
    """
    _require_here(session, caller, changes.get("zone_ids") or (), changes.get("person_id"))
    told = {**changes}
    for name in ("kinds", "zone_ids"):
        if name in told:
            told[name] = sorted(set(told[name]))
    quiet = quiet_hours_of(
        told.get("quiet_from", found.quiet_from), told.get("quiet_until", found.quiet_until)
    )
    told["quiet_from"], told["quiet_until"] = quiet or (None, None)
    before = {name: getattr(found, name) for name in told}
    differing = {name: value for name, value in told.items() if value != before[name]}
    if differing:
        for name, value in differing.items():
            setattr(found, name, value)
        session.flush()
        data = {"id": found.id, "before": {name: before[name] for name in differing}, "after": differing}
        kind = "subscription.changed"
        record(session, caller.site_id, Event(kind, now, actor_id=caller.id, reason=reason, data=data))
    return found


def _new_secret() -> str:
    return new_secret(secrets.token_bytes(32))


def deactivate_subscription(
    session: Session, now: datetime, caller: Caller, subscription_id: int
) -> Subscription:
    """Send a receiver nothing more; repeated, it changes nothing."""
    found = queries.subscription(session, caller.site_id, subscription_id, is_locked=True)
    if found.is_active:
        found.is_active = False
        _record(session, now, caller, "subscription.deactivated", found)
    return found


def resume_subscription(
    session: Session, now: datetime, caller: Caller, subscription_id: int
) -> Subscription:
    """Go on where a receiver's deliveries stopped, at once; nothing announced in between is lost."""
    found = queries.subscription(session, caller.site_id, subscription_id, is_locked=True)
    found.is_active = True
    found.attempts = 0
    found.failing_since = found.next_attempt_at = None
    _record(session, now, caller, "subscription.resumed", found)
    return found


def rotate_secret(session: Session, now: datetime, caller: Caller, subscription_id: int) -> Subscription:
    """
    Give a webhook a new secret; for :data:`OVERLAP` the one before signs beside it.

    Of two changes within that time the first one's secret is dropped at the second.
    """
    found = queries.subscription(session, caller.site_id, subscription_id, is_locked=True)
    if is_mail(found.url):
        raise conflict(
            "no-secret", "subscription_id", say("Mail is not signed."), say("Change the secret of a webhook.")
        )
    found.previous_secret, found.previous_until = found.secret, now + OVERLAP
    found.secret = _new_secret()
    _record(session, now, caller, "subscription.secret_changed", found)
    return found


def send_test(session: Session, now: datetime, caller: Caller, subscription_id: int) -> Letter:
    """
    Write a receiver a test, and have it tried at once, with what waits before it.

    It comes in turn: a test that came is proof that everything before it came as well.
    """
    found = queries.subscription(session, caller.site_id, subscription_id, is_locked=True)
    if not found.is_active:
        raise conflict(
            "subscription-inactive",
            "subscription_id",
            say("Nothing is sent to this receiver."),
            say("Resume it first; what waits is then sent at once."),
        )
    found.next_attempt_at = None
    letter = Letter(
        site_id=found.site_id,
        subscription_id=found.id,
        message_id=f"msg_{uuid4().hex}",
        purpose=Purpose.TEST,
        severity=Severity.INFO,
        seqs=[],
        made_at=now,
        due_at=now,
    )
    session.add(letter)
    session.flush()
    _record(session, now, caller, "subscription.tested", found)
    return letter


def _record(session: Session, now: datetime, caller: Caller, kind: str, found: Subscription) -> None:
    record(session, caller.site_id, Event(kind, now, actor_id=caller.id, data={"id": found.id}))


def quiet_hours_of(quiet_from: str | None, quiet_until: str | None) -> tuple[str, str] | None:
    """Return both ends of quiet hours, or None if there are none; one alone cannot be meant."""
    if quiet_from is None and quiet_until is None:
        return None
    if quiet_from is None or quiet_until is None or quiet_from == quiet_until:
        raise invalid(
            "quiet_until",
            say("Quiet hours have two ends that differ."),
            say("Give both quiet_from and quiet_until."),
        )
    return quiet_from, quiet_until
