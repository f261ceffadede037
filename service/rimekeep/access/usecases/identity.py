"""Passwords: set by their owners, and shown again to sign for something."""

import secrets
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access import queries
from rimekeep.access.core import passwords
from rimekeep.access.core.roles import Caller, PrincipalKind
from rimekeep.access.tables import Credential, Principal
from rimekeep.access.usecases.ending import end_sessions
from rimekeep.access.usecases.pacing import begin_signature
from rimekeep.access.usecases.secret import token_hash
from rimekeep.errors import Conflict, Fault, Forbidden, Limit, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say


def set_password(
    session: Session, now: datetime, holder: Principal, credential: Credential, password: str
) -> None:
    """Keep the hash of a person's new password."""
    fault = passwords.fault_in(password, (holder.name, credential.login, "rimekeep"))
    if fault is not None:
        raise invalid(
            "password", fault, say("Take a long one you use nowhere else, a few words for instance.")
        )
    credential.password_hash = passwords.hashed(password, secrets.token_bytes(passwords.SALT_BYTES))
    credential.set_at = now
    session.flush()
    data = {"id": holder.id}
    record(session, holder.site_id, Event("password.set", now, actor_id=holder.id, data=data))


def change_password(session: Session, now: datetime, caller: Caller, *, proof: str, password: str) -> None:
    """Change the caller's password; every other session of theirs ends."""
    _show_again(session, now, caller, proof, "proof", say("nothing was changed"))
    credential = queries.credential_of(session, caller.id)
    if credential is None:
        raise Conflict(
            "no-login", say("{name} has no login yet; an admin's invitation gives one.", name=caller.name)
        )
    holder = queries.principal(session, caller.site_id, caller.id)
    set_password(session, now, holder, credential, password)
    kind, _, number = caller.via.partition(" ")
    end_sessions(session, now, caller.id, but=int(number) if kind == "session" else None)


def confirm_identity(session: Session, now: datetime, caller: Caller, proof: str) -> datetime:
    """
    Return when a person has just shown again who they are, by their own token or password.

    A decision that is signed for needs this: a screen left open must not sign for somebody else. Devices have
    no hand to sign with.
    """
    _show_again(session, now, caller, proof, "signature_token", say("nothing was decided"))
    return now


def _show_again(
    session: Session, now: datetime, caller: Caller, proof: str, where: str, outcome: str
) -> None:
    signer = queries.caller_with(session, token_hash(proof), now)
    limit: Limit | None = None
    is_own = signer is not None and (signer.site_id, signer.id) == (caller.site_id, caller.id)
    if not is_own and signer is None:
        credential = queries.credential_of(session, caller.id)
        stored = None if credential is None else credential.password_hash
        if stored is not None:
            tried = begin_signature(session, now, caller.id)
            is_own = passwords.matches(proof, stored)
            if is_own:
                tried.passed(session)
            else:
                limit = tried.limit(now)
    if not is_own:
        raise Forbidden(
            "signature-not-confirmed",
            say("The signature is not that of {name}; {outcome}.", name=caller.name, outcome=outcome),
            (
                Fault(
                    where,
                    say("It is neither your own valid token nor your password."),
                    say("Send your own once more."),
                ),
            ),
            limit=limit,
        )
    if queries.principal(session, caller.site_id, caller.id).kind != PrincipalKind.PERSON:
        raise Forbidden(
            "signature-not-confirmed",
            say("A device cannot sign; {outcome}.", outcome=outcome),
            (Fault(where, say("It belongs to a device."), say("Let a person decide.")),),
        )
