"""End what somebody is known by."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.tables import AccessToken, BrowserSession, Invitation


def revoke_tokens(session: Session, at: datetime, principal_id: int) -> None:
    """Let the tokens somebody has end at ``at``, unless they end sooner."""
    living = select(AccessToken).where(
        col(AccessToken.principal_id) == principal_id,
        col(AccessToken.revoked_at).is_(None) | (col(AccessToken.revoked_at) > at),
    )
    for token in session.scalars(living):
        token.revoked_at = at


def end_sessions(session: Session, now: datetime, principal_id: int, *, but: int | None = None) -> None:
    """End the sessions somebody has, but one."""
    living = select(BrowserSession).where(
        col(BrowserSession.principal_id) == principal_id, col(BrowserSession.ended_at).is_(None)
    )
    for found in session.scalars(living):
        if found.id != but:
            found.ended_at = now


def withdraw_open(session: Session, now: datetime, principal_id: int) -> None:
    """Withdraw the invitations somebody has not used."""
    unused = select(Invitation).where(
        col(Invitation.principal_id) == principal_id,
        col(Invitation.used_at).is_(None),
        col(Invitation.withdrawn_at).is_(None),
    )
    for one in session.scalars(unused):
        one.withdrawn_at = now
