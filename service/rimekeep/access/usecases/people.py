"""Make sites, people, devices and tokens; switch them off."""

import secrets
import zoneinfo
from datetime import datetime, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access import queries
from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.retention import Jurisdiction
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.tables import AccessToken, Principal, Site
from rimekeep.access.usecases.ending import end_sessions, revoke_tokens, withdraw_open
from rimekeep.access.usecases.secret import token_hash
from rimekeep.errors import Conflict, Fault, Invalid, invalid
from rimekeep.platform.journal import Event, open_site, record
from rimekeep.wording import say

TOKEN_PREFIX = "rk_"  # noqa: S105 - a mark by which a leaked token can be recognised, not a secret


def open_new_site(
    session: Session,
    now: datetime,
    *,
    code: str,
    name: str,
    time_zone: str = "UTC",
    company_prefix: str = "952000",
    currency: str | None = None,
    token: str | None = None,
) -> tuple[Site, str]:
    """Create a site with its first admin; return it and the admin's token, which is never shown again."""
    if time_zone not in zoneinfo.available_timezones():
        raise invalid(
            "time_zone",
            say("{time_zone!r} is not a time zone.", time_zone=time_zone),
            say("Use an IANA name such as Europe/Prague."),
        )
    if not (company_prefix.isascii() and company_prefix.isdigit() and 4 <= len(company_prefix) <= 12):
        raise invalid(
            "company_prefix",
            say("A GS1 Company Prefix has 4 to 12 digits."),
            say("Give the digits you licensed."),
        )
    if session.scalar(select(col(Site.id)).where(col(Site.code) == code)) is not None:
        raise Conflict("site-exists", say("There is a site {code} already.", code=code))
    site = Site(
        code=code,
        name=name,
        time_zone=time_zone,
        company_prefix=company_prefix,
        currency=currency,
        created_at=now,
    )
    session.add(site)
    session.flush()
    open_site(session, site.id)
    admin, token = add_principal(
        session, now, site.id, kind=PrincipalKind.PERSON, name="first admin", roles=[Role.ADMIN], token=token
    )
    record(session, site.id, Event("site.opened", now, actor_id=admin.id, data={"code": code, "name": name}))
    return site, token


def change_site(
    session: Session,
    now: datetime,
    caller: Caller,
    site: Site,
    *,
    reason: str,
    promises_by: PromisesBy | None = None,
    currency: str | None = None,
    records_under: Jurisdiction | None = None,
) -> Site:
    """Change which date customers are promised by, the currency, or how records are kept."""
    wanted = {
        "promises_by": None if promises_by is None else str(promises_by),
        "currency": currency,
        "records_under": None if records_under is None else str(records_under),
    }
    after = {name: word for name, word in wanted.items() if word not in (None, getattr(site, name))}
    if after:
        before = {name: getattr(site, name) for name in after}
        for name, word in after.items():
            setattr(site, name, word)
        session.flush()
        data = {"before": before, "after": after}
        record(session, site.id, Event("site.changed", now, actor_id=caller.id, reason=reason, data=data))
    return site


def add_principal(
    session: Session,
    now: datetime,
    site_id: int,
    *,
    kind: PrincipalKind,
    name: str,
    roles: list[Role],
    by: Caller | None = None,
    token: str | None = None,
) -> tuple[Principal, str]:
    """Add a person or device; return it and its token, which is never shown again."""
    added = name_principal(session, now, site_id, kind=kind, name=name, roles=roles, by=by)
    return added, issue_token(session, now, added, token=token)


def name_principal(
    session: Session,
    now: datetime,
    site_id: int,
    *,
    kind: PrincipalKind,
    name: str,
    roles: list[Role],
    by: Caller | None = None,
) -> Principal:
    """Add a person or device who can show nothing yet."""
    if not roles:
        raise invalid(
            "roles",
            say("Nobody can do anything without a role."),
            say("Give one of {choices}.", choices=", ".join(Role)),
        )
    taken = select(col(Principal.id)).where(col(Principal.site_id) == site_id, col(Principal.name) == name)
    if session.scalar(taken) is not None:
        raise Conflict("name-taken", say("There is somebody called {name!r} already.", name=name))
    added = Principal(site_id=site_id, kind=kind, name=name, roles=sorted(set(roles)), created_at=now)
    session.add(added)
    session.flush()
    record(
        session,
        site_id,
        Event(
            f"{kind}.added",
            now,
            actor_id=by.id if by else added.id,
            data={"id": added.id, "name": name, "roles": added.roles},
        ),
    )
    return added


def issue_token(session: Session, now: datetime, holder: Principal, *, token: str | None = None) -> str:
    """Give ``holder`` a new token."""
    if token is not None and len(token) < 24:
        raise Invalid(
            "weak-token",
            say("A token shorter than 24 characters can be guessed."),
            (
                Fault(
                    "RIMEKEEP_ADMIN_TOKEN",
                    say("It has {n} characters.", n=len(token)),
                    say("Use a long random one, or none."),
                ),
            ),
        )
    token = token or TOKEN_PREFIX + secrets.token_urlsafe(32)
    session.add(AccessToken(principal_id=holder.id, token_hash=token_hash(token), created_at=now))
    session.flush()
    return token


def rotate_token(
    session: Session, now: datetime, caller: Caller, principal_id: int, *, overlap_s: int = 0
) -> str:
    """
    Give somebody a new token; those before hold for ``overlap_s`` more, or end at once with their sessions.

    With an overlap a device far away can be given the new one before the old one ends.
    """
    holder = queries.principal(session, caller.site_id, principal_id)
    if not holder.is_active:
        raise Conflict("not-active", say("{name} is shut out and gets no token.", name=holder.name))
    revoke_tokens(session, now + timedelta(seconds=overlap_s), holder.id)
    if not overlap_s:
        end_sessions(session, now, holder.id)
    data = {"id": holder.id, "overlap_s": overlap_s}
    record(session, caller.site_id, Event("token.rotated", now, actor_id=caller.id, data=data))
    return issue_token(session, now, holder)


def change_roles(
    session: Session, now: datetime, caller: Caller, holder: Principal, *, roles: list[Role], reason: str
) -> Principal:
    """Give a person or device other roles; they hold from the next request on."""
    if holder.id == caller.id and Role.ADMIN not in roles:
        raise Conflict("own-account", say("You cannot take admin from yourself; ask another admin."))
    before, after = holder.roles, sorted(set(roles))
    if before != after:
        holder.roles = list(map(str, after))
        session.flush()
        data = {"id": holder.id, "before": before, "after": holder.roles}
        record(
            session,
            caller.site_id,
            Event(f"{holder.kind}.roles-changed", now, actor_id=caller.id, reason=reason, data=data),
        )
    return holder


def deactivate(session: Session, now: datetime, caller: Caller, principal_id: int) -> Principal:
    """Shut somebody out: tokens, sessions and invitations end; their name stays on what they did."""
    holder = queries.principal(session, caller.site_id, principal_id)
    if holder.id == caller.id:
        raise Conflict("own-account", say("You cannot shut yourself out; ask another admin."))
    holder.is_active = False
    revoke_tokens(session, now, holder.id)
    end_sessions(session, now, holder.id)
    withdraw_open(session, now, holder.id)
    record(
        session,
        caller.site_id,
        Event(f"{holder.kind}.deactivated", now, actor_id=caller.id, data={"id": holder.id}),
    )
    return holder


def next_serial(session: Session, site_id: int) -> tuple[str, int]:
    """Take the site's next SSCC serial; return the company prefix and the serial."""
    row = session.execute(
        update(Site)
        .where(col(Site.id) == site_id)
        .values(next_serial=col(Site.next_serial) + 1)
        .returning(col(Site.company_prefix), col(Site.next_serial))
    ).one()
    return str(row[0]), int(row[1]) - 1
