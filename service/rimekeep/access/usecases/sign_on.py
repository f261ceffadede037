"""Sign people in whom the provider vouches for, and tie their accounts there to theirs here."""

import secrets
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import SignedInBy
from rimekeep.access.core.sign_on import Account, Begun, NotSignedOn
from rimekeep.access.queries import sign_on as queries
from rimekeep.access.tables import Principal, SignOnLink, SignOnUsed
from rimekeep.access.usecases.ending import end_sessions
from rimekeep.access.usecases.invitations import as_login
from rimekeep.access.usecases.secret import token_hash
from rimekeep.access.usecases.sessions import Opened, Visitor, open_session
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record


def begin_sign_on(now: datetime) -> Begun:
    """Return a new sign-on, for one browser."""
    return Begun(secrets.token_urlsafe(32), now.replace(microsecond=0))


def use_up_sign_on(session: Session, now: datetime, begun: Begun) -> None:
    """Let a sign-on come back once only."""
    state_hash = token_hash(begun.state)
    take_turns(session, f"sign-on {state_hash}")
    if session.get(SignOnUsed, state_hash) is not None:
        raise NotSignedOn("the answer came a second time")
    session.add(SignOnUsed(state_hash=state_hash, used_at=now))
    session.flush()


def open_session_by_account(session: Session, now: datetime, visitor: Visitor, account: Account) -> Opened:
    """Sign in whom an account belongs to; one not known yet is tied to who has its verified mail as login."""
    take_turns(session, f"sign-on {account.issuer} {account.subject}")
    link = queries.link_of(session, account.issuer, account.subject)
    holder = _tie(session, now, account) if link is None else session.get(Principal, link.principal_id)
    if holder is None or not holder.is_active:
        raise NotSignedOn("the person is shut out")
    return open_session(session, now, holder, visitor, by=SignedInBy.SIGN_ON)


def _tie(session: Session, now: datetime, account: Account) -> Principal:
    if account.mail is None:
        raise NotSignedOn("an account not known, without a verified mail address")
    login = as_login(account.mail)
    take_turns(session, f"sign-on {login}")
    found = queries.people_to_tie(session, login, now)
    if len(found) != 1:
        raise NotSignedOn(f"{'nobody' if not found else 'more than one person'} with this login")
    holder, invitation = found[0]
    before = queries.link_with(session, holder.id, account.issuer)
    if before is not None:
        # A mail address may be given to somebody else in time: only an admin says it is the same person.
        if invitation is None:
            raise NotSignedOn("the person is tied to another account, and not invited anew")
        session.delete(before)
        session.flush()
    if invitation is not None:
        # Whoever has its code may be setting a password just now.
        take_turns(session, f"invitation {invitation.code_hash}")
        session.refresh(invitation)
        if invitation.used_at is not None or invitation.withdrawn_at is not None:
            raise NotSignedOn("the invitation has just ended")
        invitation.used_at = now
        end_sessions(session, now, holder.id)
    session.add(
        SignOnLink(principal_id=holder.id, issuer=account.issuer, subject=account.subject, tied_at=now)
    )
    session.flush()
    data = {"id": holder.id, "issuer": account.issuer, "again": before is not None}
    record(session, holder.site_id, Event("sign-on.tied", now, actor_id=holder.id, data=data))
    return holder
