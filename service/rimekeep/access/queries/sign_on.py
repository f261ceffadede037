"""Who is tied to an account at a provider, and who may be."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import PrincipalKind
from rimekeep.access.tables import Credential, Invitation, Principal, SignOnLink


def link_of(session: Session, issuer: str, subject: str) -> SignOnLink | None:
    """Return what ties an account to somebody."""
    return session.scalar(
        select(SignOnLink).where(col(SignOnLink.issuer) == issuer, col(SignOnLink.subject) == subject)
    )


def link_with(session: Session, principal_id: int, issuer: str) -> SignOnLink | None:
    """Return what ties somebody to an account of a provider."""
    return session.scalar(
        select(SignOnLink).where(
            col(SignOnLink.principal_id) == principal_id, col(SignOnLink.issuer) == issuer
        )
    )


def people_to_tie(session: Session, login: str, now: datetime) -> list[tuple[Principal, Invitation | None]]:
    """Return the active people with a login, at any site, who have a password or an open invitation."""
    is_open = (
        (col(Invitation.principal_id) == col(Principal.id))
        & col(Invitation.used_at).is_(None)
        & col(Invitation.withdrawn_at).is_(None)
        & (col(Invitation.expires_at) > now)
    )
    rows = session.execute(
        select(Principal, Invitation)
        .join(Credential, col(Credential.principal_id) == col(Principal.id))
        .outerjoin(Invitation, is_open)
        .where(col(Credential.login) == login, col(Principal.is_active))
        .where(col(Principal.kind) == PrincipalKind.PERSON)
        .where(col(Credential.password_hash).is_not(None) | col(Invitation.id).is_not(None))
        .order_by(col(Principal.id))
    )
    return [(row[0], row[1]) for row in rows]
