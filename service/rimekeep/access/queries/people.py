"""Reads of people and devices for whoever sets them up: how each comes in, and when it was last heard of."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.tables import AccessToken, BrowserSession, Credential, Invitation
from rimekeep.platform.idempotency import last_used


@dataclass(frozen=True, slots=True)
class WaysIn:
    """How somebody comes in."""

    login: str | None = None
    has_password: bool = False
    invited_until: datetime | None = None
    invitation_id: int | None = None
    sessions: int = 0
    tokens: int = 0
    # The last change asked for, or signing in; within the time keys are kept.
    seen_at: datetime | None = None


def ways_in(session: Session, principal_ids: Collection[int], now: datetime) -> dict[int, WaysIn]:
    """Return how people and devices come in, several at once; expired and ended ways are left out."""
    ids = sorted(principal_ids)
    logins = {
        row[0]: (row[1], bool(row[2]))
        for row in session.execute(
            select(
                col(Credential.principal_id),
                col(Credential.login),
                col(Credential.password_hash).is_not(None),
            ).where(col(Credential.principal_id).in_(ids))
        )
    }
    is_open = col(Invitation.used_at).is_(None) & col(Invitation.withdrawn_at).is_(None)
    invited = {
        row[0]: (row[1], row[2])
        for row in session.execute(
            select(col(Invitation.principal_id), col(Invitation.expires_at), col(Invitation.id))
            .where(col(Invitation.principal_id).in_(ids), is_open, col(Invitation.expires_at) > now)
            .order_by(col(Invitation.id))
        )
    }
    runs = col(BrowserSession.ended_at).is_(None) & (col(BrowserSession.expires_at) > now)
    sessions: dict[int, int] = {}
    seen: dict[int, datetime] = last_used(session, ids)
    for holder, running, newest in session.execute(
        select(
            col(BrowserSession.principal_id),
            func.count().filter(runs),
            func.max(col(BrowserSession.created_at)),
        )
        .where(col(BrowserSession.principal_id).in_(ids))
        .group_by(col(BrowserSession.principal_id))
    ):
        sessions[holder] = running
        seen[holder] = max(newest, seen.get(holder, newest))
    holds = col(AccessToken.revoked_at).is_(None) | (col(AccessToken.revoked_at) > now)
    tokens = {
        row[0]: row[1]
        for row in session.execute(
            select(col(AccessToken.principal_id), func.count())
            .where(col(AccessToken.principal_id).in_(ids), holds)
            .group_by(col(AccessToken.principal_id))
        )
    }
    ways = {}
    for one in ids:
        login, has_password = logins.get(one, (None, False))
        invited_until, invitation_id = invited.get(one, (None, None))
        ways[one] = WaysIn(
            login=login,
            has_password=has_password,
            invited_until=invited_until,
            invitation_id=invitation_id,
            sessions=sessions.get(one, 0),
            tokens=tokens.get(one, 0),
            seen_at=seen.get(one),
        )
    return ways


def newest_sessions(session: Session, principal_id: int, most: int) -> list[BrowserSession]:
    """Return somebody's sessions, the newest first, ended ones included."""
    return list(
        session.scalars(
            select(BrowserSession)
            .where(col(BrowserSession.principal_id) == principal_id)
            .order_by(col(BrowserSession.id).desc())
            .limit(most)
        )
    )
