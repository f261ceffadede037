"""Sessions of people at a browser: opened by a password, a token or an invitation; ended by whoever may."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access import queries
from rimekeep.access.core import passwords, slowdown
from rimekeep.access.core.roles import Caller, Role, SignedInBy
from rimekeep.access.core.sign_on import LASTS as SIGN_ON_LASTS
from rimekeep.access.core.slowdown import Way
from rimekeep.access.tables import BrowserSession, Principal, SignInPace, SignOnUsed
from rimekeep.access.usecases.invitations import as_login
from rimekeep.access.usecases.pacing import pace_key, where_from
from rimekeep.access.usecases.secret import token_hash
from rimekeep.errors import missing
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record

LASTS = timedelta(hours=12)
# So long a browser is remembered as one that somebody has signed in with.
KNOWN_FOR = timedelta(days=180)
SESSION_LASTS_S, BROWSER_KNOWN_S = int(LASTS.total_seconds()), int(KNOWN_FOR.total_seconds())
LONGEST_AGENT = 200


@dataclass(frozen=True, slots=True)
class Visitor:
    """Where somebody comes from: address, browser, and the mark the browser was given before."""

    address: str
    agent: str = ""
    device: str = ""


@dataclass(frozen=True, slots=True)
class Opened:
    """What a browser is to keep: the session's secret, and the mark it is known by later."""

    secret: str
    device: str


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try to sign in, counted as a failure until it is known to be none."""

    principal_id: int | None
    # What the password has to match; takes as long where there is nobody.
    stored: str
    keys: tuple[tuple[Way, str], ...]
    # Tries that are still free, and how long to wait before this one is looked at.
    left: int
    wait_s: int


def csrf_token(secret: str) -> str:
    """Return what a form or a script of ours sends along: bound to the session, unknown to other sites."""
    return hashlib.sha256(b"csrf\n" + secret.encode()).hexdigest()


def begin_attempt(
    session: Session, now: datetime, visitor: Visitor, *, login: str, site_code: str | None
) -> Attempt:
    """
    Count a try before its password is looked at, so that many at once are counted too.

    Returns with ``wait_s`` above zero, uncounted, when it came too soon.
    """
    found = queries.holders_of_login(session, as_login(login), site_code)
    holder = found[0] if len(found) == 1 else None
    device = token_hash(visitor.device)
    ways: tuple[tuple[Way, str], ...]
    if holder is not None and queries.has_signed_in_with(session, holder.principal_id, device):
        ways = ((Way.DEVICE, pace_key(Way.DEVICE, holder.principal_id, device)),)
    else:
        place = where_from(visitor.address)
        named = pace_key(Way.NAME, site_code or "", as_login(login), place)
        ways = ((Way.NAME, named), (Way.ADDRESS, pace_key(Way.ADDRESS, place)))
    # One order for all, so that none waits for another in a ring.
    for _, key in sorted(ways, key=lambda way: way[1]):
        take_turns(session, f"sign-in {key}")
    rows = {key: session.get(SignInPace, key, populate_existing=True) for _, key in ways}
    counted = {
        key: 0 if row is None else slowdown.failures_now(row.failures, row.last_at, now)
        for key, row in rows.items()
    }
    wait_s = max(
        slowdown.wait_s(way, row.failures, row.last_at, now) if (row := rows[key]) is not None else 0
        for way, key in ways
    )
    if wait_s:
        return Attempt(None, passwords.NOBODYS, (), 0, wait_s)
    for key, row in rows.items():
        if row is None:
            session.add(SignInPace(key=key, failures=1, last_at=now))
        else:
            row.failures, row.last_at = counted[key] + 1, now
    session.flush()
    stored = None if holder is None else holder.password_hash
    left = min(slowdown.left(way, counted[key] + 1) for way, key in ways)
    return Attempt(
        None if holder is None else holder.principal_id, stored or passwords.NOBODYS, ways, left, 0
    )


def complete_attempt(
    session: Session, now: datetime, visitor: Visitor, attempt: Attempt, *, matches: bool
) -> Opened | None:
    """Open the session a matching password earns; None if it did not match."""
    holder = None if attempt.principal_id is None else session.get(Principal, attempt.principal_id)
    if not matches or holder is None or not holder.is_active:
        return None
    for way, key in attempt.keys:
        row = session.get(SignInPace, key, with_for_update=True, populate_existing=True)
        if row is None:
            continue
        if way is Way.ADDRESS:
            # Somebody with an account of their own must not wipe out what they did to others'.
            row.failures = max(0, row.failures - 1)
        else:
            session.delete(row)
    return open_session(session, now, holder, visitor, by=SignedInBy.PASSWORD)


def open_session(
    session: Session, now: datetime, holder: Principal, visitor: Visitor, *, by: SignedInBy
) -> Opened:
    """Sign somebody in; what the browser is to keep is shown this once."""
    secret = secrets.token_urlsafe(32)
    known = bool(visitor.device) and queries.has_signed_in_with(
        session, holder.id, token_hash(visitor.device)
    )
    device = visitor.device if known else secrets.token_urlsafe(32)
    opened = BrowserSession(
        principal_id=holder.id,
        secret_hash=token_hash(secret),
        device_hash=token_hash(device),
        opened_by=by,
        address=visitor.address,
        agent=visitor.agent[:LONGEST_AGENT],
        created_at=now,
        expires_at=now + LASTS,
    )
    session.add(opened)
    session.flush()
    data = {"session_id": opened.id, "by": str(by), "address": visitor.address}
    record(session, holder.site_id, Event("session.opened", now, actor_id=holder.id, data=data))
    return Opened(secret, device)


def open_session_by_token(session: Session, now: datetime, visitor: Visitor, *, token: str) -> Opened | None:
    """Sign in whoever holds a token; None if nobody does. It cannot be guessed, so nothing is counted."""
    caller = queries.caller_with(session, token_hash(token), now)
    if caller is None:
        return None
    holder = queries.principal(session, caller.site_id, caller.id)
    return open_session(session, now, holder, visitor, by=SignedInBy.TOKEN)


def end_session(session: Session, now: datetime, caller: Caller, session_id: int) -> BrowserSession:
    """End a session of the caller's own, or as admin of anybody at the site."""
    found = queries.session_of(session, caller.site_id, session_id)
    if found.principal_id != caller.id and Role.ADMIN not in caller.roles:
        raise missing("session", session_id)
    if found.ended_at is None:
        found.ended_at = now
        session.flush()
        data = {"session_id": found.id, "id": found.principal_id}
        record(session, caller.site_id, Event("session.ended", now, actor_id=caller.id, data=data))
    return found


def forget_old_sign_ins(session: Session, now: datetime) -> None:
    """Drop counts that no longer count, and marks of answers that by now are too old by themselves."""
    session.execute(delete(SignInPace).where(col(SignInPace.last_at) < now - slowdown.FORGOTTEN_AFTER))
    session.execute(delete(SignOnUsed).where(col(SignOnUsed.used_at) < now - 2 * SIGN_ON_LASTS))
