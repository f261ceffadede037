"""Invite people to set a password of their own."""

import secrets
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access import queries
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.tables import Credential, Invitation, Principal
from rimekeep.access.usecases.ending import end_sessions, withdraw_open
from rimekeep.access.usecases.identity import set_password
from rimekeep.access.usecases.people import name_principal
from rimekeep.access.usecases.secret import token_hash
from rimekeep.errors import Conflict, Refused, refused
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say


def as_login(text: str) -> str:
    """Return a login as it is compared: without regard to capitals."""
    return text.strip().casefold()


def invite_person(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    name: str,
    roles: list[Role],
    login: str | None = None,
    valid_hours: int,
) -> tuple[Invitation, str]:
    """Add a person who has no token, and invite them; return the invitation and its code, shown once."""
    holder = name_principal(
        session, now, caller.site_id, kind=PrincipalKind.PERSON, name=name, roles=roles, by=caller
    )
    return _invite(session, now, caller, holder, login or name, valid_hours)


def invite_again(
    session: Session,
    now: datetime,
    caller: Caller,
    principal_id: int,
    *,
    login: str | None = None,
    valid_hours: int,
) -> tuple[Invitation, str]:
    """Invite a person who is there already, to set a first password or, having forgotten it, another."""
    holder = queries.principal(session, caller.site_id, principal_id)
    if holder.kind != PrincipalKind.PERSON:
        raise refused(
            "device-has-no-password",
            "principal_id",
            say("A device has no password."),
            say("Rotate its token."),
        )
    if not holder.is_active:
        raise Conflict("not-active", say("{name} is shut out and cannot be invited.", name=holder.name))
    withdraw_open(session, now, holder.id)
    return _invite(session, now, caller, holder, login, valid_hours)


def _invite(
    session: Session, now: datetime, caller: Caller, holder: Principal, login: str | None, valid_hours: int
) -> tuple[Invitation, str]:
    _give_login(session, holder, login)
    code = secrets.token_urlsafe(32)
    made = Invitation(
        site_id=holder.site_id,
        principal_id=holder.id,
        made_by_id=caller.id,
        code_hash=token_hash(code),
        created_at=now,
        expires_at=now + timedelta(hours=valid_hours),
    )
    session.add(made)
    session.flush()
    data = {"id": holder.id, "invitation_id": made.id, "valid_hours": valid_hours}
    record(session, holder.site_id, Event("person.invited", now, actor_id=caller.id, data=data))
    return made, code


def _give_login(session: Session, holder: Principal, login: str | None) -> None:
    credential = queries.credential_of(session, holder.id)
    if credential is not None and login is None:
        return
    wanted = as_login(login or holder.name)
    taken = select(col(Credential.principal_id)).where(
        col(Credential.site_id) == holder.site_id,
        col(Credential.login) == wanted,
        col(Credential.principal_id) != holder.id,
    )
    if session.scalar(taken) is not None:
        raise Conflict("login-taken", say("Somebody else signs in as {wanted!r} already.", wanted=wanted))
    if credential is None:
        session.add(Credential(principal_id=holder.id, site_id=holder.site_id, login=wanted))
    else:
        credential.login = wanted
    session.flush()


def withdraw_invitation(session: Session, now: datetime, caller: Caller, invitation_id: int) -> Invitation:
    """Withdraw an invitation nobody has used."""
    found = queries.invitation_of(session, caller.site_id, invitation_id)
    if found.used_at is not None:
        raise Conflict("already-used", say("The invitation was used already; shut the person out instead."))
    if found.withdrawn_at is None:
        found.withdrawn_at = now
        session.flush()
        data = {"id": found.principal_id, "invitation_id": found.id}
        record(session, caller.site_id, Event("invitation.withdrawn", now, actor_id=caller.id, data=data))
    return found


def accept_invitation(session: Session, now: datetime, *, code: str, password: str) -> Principal:
    """
    Set the invited person's password; the code is used up, and sessions they had end. Return the person.

    Whoever needed another password may have lost the first one to somebody who is signed in with it.
    """
    hashed = token_hash(code)
    # Two who use one code take turns, so that it serves one of them only.
    take_turns(session, f"invitation {hashed}")
    found = session.scalar(select(Invitation).where(col(Invitation.code_hash) == hashed))
    holder = None if found is None else session.get(Principal, found.principal_id)
    is_open = found is not None and found.used_at is None and found.withdrawn_at is None
    if found is None or holder is None or not is_open or found.expires_at <= now or not holder.is_active:
        raise Refused(
            "invitation-not-valid",
            say(
                "This invitation is not valid: it was used, withdrawn, or has expired. Ask an admin for "
                "another."
            ),
        )
    credential = queries.credential_of(session, holder.id)
    assert credential is not None  # given with the invitation
    set_password(session, now, holder, credential, password)
    end_sessions(session, now, holder.id)
    found.used_at = now
    session.flush()
    return holder
