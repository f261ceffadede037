"""Reads of sites, people and devices."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    BindParameter,
    ColumnElement,
    Select,
    String,
    bindparam,
    func,
    literal_column,
    select,
)
from sqlalchemy.orm import Mapped, Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries.people import WaysIn as WaysIn
from rimekeep.access.queries.people import newest_sessions as newest_sessions
from rimekeep.access.queries.people import ways_in as ways_in
from rimekeep.access.tables import AccessToken, BrowserSession, Credential, Invitation, Principal, Site
from rimekeep.errors import invalid, missing
from rimekeep.platform import idempotency
from rimekeep.platform.columns import UtcDateTime
from rimekeep.platform.database import Listing
from rimekeep.platform.straight import Among, Prepared, ask
from rimekeep.wording import say

_PERSON = (col(Principal.id), col(Principal.site_id), col(Principal.name), col(Principal.roles))
_HASHED: BindParameter[str] = bindparam("hashed", type_=String)
_NOW: BindParameter[datetime] = bindparam("now", type_=UtcDateTime)
_PRINCIPAL_ID = SQLModel.metadata.tables["principal"].c.id

# Every request runs it.
_HOLDERS: Select[*tuple[Any, ...]] = (
    select(*_PERSON, literal_column("'token'").label("kind"), col(AccessToken.id))
    .join(AccessToken, col(AccessToken.principal_id) == col(Principal.id))
    .where(col(AccessToken.revoked_at).is_(None) | (col(AccessToken.revoked_at) > _NOW))
    .where(col(Principal.is_active))
)
_NUMBER: BindParameter[int] = bindparam("number", type_=BigInteger)
_WHO = _HOLDERS.where(col(AccessToken.token_hash) == _HASHED)
_HASHES: ColumnElement[str] = SQLModel.metadata.tables["access_token"].c.token_hash
_CALLERS = Prepared(_HOLDERS.where(Among(_HASHES, "hashes")).add_columns(_HASHES))
_IN_SESSIONS: Select[*tuple[Any, ...]] = (
    select(*_PERSON, literal_column("'session'").label("kind"), col(BrowserSession.id))
    .join(BrowserSession, col(BrowserSession.principal_id) == col(Principal.id))
    .where(col(BrowserSession.ended_at).is_(None), col(BrowserSession.expires_at) > _NOW)
    .where(col(Principal.is_active))
)
_IN_SESSION = _IN_SESSIONS.where(col(BrowserSession.secret_hash) == _HASHED)
# By what a caller was known when they came.
_TOKENS_LEFT = _HOLDERS.with_only_columns(col(Principal.roles)).where(col(AccessToken.id) == _NUMBER)
_SESSIONS_LEFT = _IN_SESSIONS.with_only_columns(col(Principal.roles)).where(col(BrowserSession.id) == _NUMBER)
_CALLER, _SIGNED_IN = Prepared(_WHO), Prepared(_IN_SESSION)


def _keys(who: Select[*tuple[Any, ...]], holder: Mapped[int], hashed: Mapped[str]) -> idempotency.Keys:
    return idempotency.Keys(select(holder).where(hashed == _HASHED).scalar_subquery(), who, _PRINCIPAL_ID)


_KEYS = _keys(_WHO, col(AccessToken.principal_id), col(AccessToken.token_hash))
_SESSION_KEYS = _keys(_IN_SESSION, col(BrowserSession.principal_id), col(BrowserSession.secret_hash))


def caller_with(session: Session, token_hash: str, now: datetime) -> Caller | None:
    """Return who holds the token with this hash; None if it is unknown, revoked or its holder inactive."""
    rows = ask(session, _CALLER, {"hashed": token_hash, "now": now})
    return _caller(rows[0]) if rows else None


def callers_with(session: Session, token_hashes: Collection[str], now: datetime) -> dict[str, Caller]:
    """Return who holds tokens, by their hashes; whoever is not there or inactive is left out."""
    rows = ask(session, _CALLERS, {"hashes": sorted(token_hashes), "now": now})
    return {row[-1]: _caller(row) for row in rows}


def caller_with_key(
    session: Session, token_hash: str, now: datetime, key: str
) -> tuple[Caller | None, idempotency.Found]:
    """Return who holds the token, and what is known of a key of theirs, for :func:`idempotency.begin`."""
    row, found = _KEYS.ask(session, key, {"hashed": token_hash, "now": now})
    return None if row is None else _caller(row), found


def caller_signed_in(session: Session, secret_hash: str, now: datetime) -> Caller | None:
    """Return who is signed in by a session's secret with this hash; None if it has ended."""
    rows = ask(session, _SIGNED_IN, {"hashed": secret_hash, "now": now})
    return _caller(rows[0]) if rows else None


def caller_signed_in_with_key(
    session: Session, secret_hash: str, now: datetime, key: str
) -> tuple[Caller | None, idempotency.Found]:
    """Return the same, and what is known of a key of theirs."""
    row, found = _SESSION_KEYS.ask(session, key, {"hashed": secret_hash, "now": now})
    return None if row is None else _caller(row), found


def _caller(row: Sequence[Any]) -> Caller:
    return Caller(row[0], row[1], row[2], frozenset(Role(role) for role in row[3]), f"{row[4]} {row[5]}")


def still_admits(session: Session, caller: Caller, now: datetime, roles: Collection[Role]) -> bool:
    """Tell whether the token or session a caller came with still holds, and one of ``roles`` is theirs."""
    kind, _, number = caller.via.partition(" ")
    known = _TOKENS_LEFT if kind == "token" else _SESSIONS_LEFT
    row = session.execute(known, {"number": int(number), "now": now}).one_or_none()
    return row is not None and not set(roles).isdisjoint(row[0])


def caller_of(session: Session, principal_id: int) -> Caller | None:
    """Return a person or device by id, for what they asked to be done later; None once inactive."""
    row = session.execute(
        select(*_PERSON).where(col(Principal.id) == principal_id, col(Principal.is_active))
    ).one_or_none()
    return None if row is None else Caller(row[0], row[1], row[2], frozenset(map(Role, row[3])))


def callers_named(session: Session, names: Collection[tuple[str, str]]) -> dict[tuple[str, str], Caller]:
    """Return the active people and devices among (site code, name); whoever is not there is left out."""
    rows = session.execute(
        select(
            col(Site.code),
            col(Principal.name),
            col(Principal.id),
            col(Principal.site_id),
            col(Principal.roles),
        )
        .join(Site, col(Site.id) == col(Principal.site_id))
        .where(
            col(Site.code).in_(sorted({code for code, _ in names})),
            col(Principal.name).in_(sorted({name for _, name in names})),
            col(Principal.is_active),
        )
    )
    return {
        (row[0], row[1]): Caller(row[2], row[3], row[1], frozenset(map(Role, row[4])))
        for row in rows
        if (row[0], row[1]) in names
    }


def site_of(session: Session, site_id: int) -> Site:
    """Return a caller's own site."""
    site = session.get(Site, site_id)
    if site is None:
        raise missing("site", site_id)
    return site


def own_site(session: Session, caller: Caller, site_id: int, *, is_locked: bool = False) -> Site:
    """Return the caller's site if that is the one meant; of others nothing is told."""
    if site_id != caller.site_id:
        raise missing("site", site_id)
    if is_locked:
        # Whoever only refers to the site need not wait.
        session.get(Site, site_id, with_for_update={"key_share": True}, populate_existing=True)
    return site_of(session, site_id)


def any_site_exists(session: Session) -> bool:
    """Tell whether the database holds a site at all."""
    return session.scalar(select(col(Site.id)).limit(1)) is not None


def all_sites(session: Session) -> list[Site]:
    """Return every site; only jobs look across sites."""
    return list(session.scalars(select(Site).order_by(col(Site.id))))


def admin_of(session: Session, site_code: str | None) -> Caller:
    """Return the first admin of a site, as whom the command line acts; the only site needs no code."""
    sites = all_sites(session)
    known = ", ".join(site.code for site in sites) or "none; run `rimekeep serve` once to open the first"
    chosen = [site for site in sites if site_code in (None, site.code)]
    if len(chosen) != 1:
        what = (
            say("Several sites share this.")
            if site_code is None
            else say("There is no site {site_code!r}.", site_code=site_code)
        )
        raise invalid(
            "--site",
            (what if sites else say("There is no site yet.")),
            say("Name one; known are: {known}.", known=known),
        )
    holders = session.scalars(
        select(Principal)
        .where(col(Principal.site_id) == chosen[0].id, col(Principal.is_active))
        .order_by(col(Principal.id))
    )
    for holder in holders:
        if Role.ADMIN in holder.roles:
            return Caller(holder.id, holder.site_id, holder.name, frozenset(map(Role, holder.roles)))
    raise missing("active admin", chosen[0].code)


def principal(session: Session, site_id: int, principal_id: int, *, is_locked: bool = False) -> Principal:
    """Return a person or device of the site."""
    lock = {"with_for_update": {"key_share": True}, "populate_existing": True} if is_locked else {}
    found = session.get(Principal, principal_id, **lock)  # type: ignore[arg-type]
    if found is None or found.site_id != site_id:
        raise missing("person or device", principal_id)
    return found


def principals(site_id: int, kind: str, *, named: str = "") -> Listing:
    """Return the statement for a site's people or devices, by a part of their name, and its order."""
    statement = select(Principal).where(col(Principal.site_id) == site_id, col(Principal.kind) == kind)
    if named:
        statement = statement.where(func.lower(col(Principal.name)).contains(named.lower(), autoescape=True))
    return statement, [col(Principal.id)]


def audit_entries(
    site_id: int,
    *,
    object_kind: str | None = None,
    object_id: str | None = None,
    actor_id: int | None = None,
    from_at: datetime | None = None,
    until_at: datetime | None = None,
) -> Listing:
    """Return the statement for what was changed at a site, oldest first; who is named if of the site."""
    entry = SQLModel.metadata.tables["audit_entry"].c
    statement: Select[Any] = (
        select(*entry, col(Principal.name).label("actor"))
        .outerjoin(
            Principal, (col(Principal.id) == entry.actor_id) & (col(Principal.site_id) == entry.site_id)
        )
        .where(entry.site_id == site_id)
    )
    asked = ((entry.object_kind, object_kind), (entry.object_id, object_id), (entry.actor_id, actor_id))
    for column, value in asked:
        if value is not None:
            statement = statement.where(column == value)
    if from_at is not None:
        statement = statement.where(entry.at >= from_at)
    if until_at is not None:
        statement = statement.where(entry.at < until_at)
    return statement, [entry.id]


def sessions_of(principal_id: int) -> Listing:
    """Return the statement for somebody's sessions, ended ones included."""
    return select(BrowserSession).where(col(BrowserSession.principal_id) == principal_id), [
        col(BrowserSession.id)
    ]


def session_of(session: Session, site_id: int, session_id: int) -> BrowserSession:
    """Return a session of somebody at the site."""
    found = session.get(BrowserSession, session_id)
    if found is not None:
        holder = session.get(Principal, found.principal_id)
        if holder is not None and holder.site_id == site_id:
            return found
    raise missing("session", session_id)


def invitations(site_id: int) -> Listing:
    """Return the statement for a site's invitations, used and expired ones included."""
    shown: list[Any] = [
        col(Invitation.id),
        col(Invitation.principal_id),
        col(Principal.name),
        col(Credential.login),
        col(Invitation.created_at),
        col(Invitation.expires_at),
        col(Invitation.used_at),
        col(Invitation.withdrawn_at),
    ]
    statement = (
        select(*shown)
        .join_from(Invitation, Principal, col(Principal.id) == col(Invitation.principal_id))
        .join(Credential, col(Credential.principal_id) == col(Invitation.principal_id))
        .where(col(Invitation.site_id) == site_id)
    )
    return statement, [col(Invitation.id)]


def invitation_of(session: Session, site_id: int, invitation_id: int) -> Invitation:
    """Return an invitation of the site."""
    found = session.get(Invitation, invitation_id)
    if found is None or found.site_id != site_id:
        raise missing("invitation", invitation_id)
    return found


def credential_of(session: Session, principal_id: int) -> Credential | None:
    """Return what a person signs in with, or None."""
    return session.get(Credential, principal_id)


def holders_of_login(session: Session, login: str, site_code: str | None) -> list[Credential]:
    """Return the active people with a login, at one site or at any."""
    statement = (
        select(Credential)
        .join(Principal, col(Principal.id) == col(Credential.principal_id))
        .join(Site, col(Site.id) == col(Principal.site_id))
        .where(col(Credential.login) == login, col(Principal.is_active))
        .where(col(Credential.password_hash).is_not(None))
    )
    if site_code is not None:
        statement = statement.where(col(Site.code) == site_code)
    return list(session.scalars(statement.limit(2)))


def has_signed_in_with(session: Session, principal_id: int, device_hash: str) -> bool:
    """Tell whether somebody has signed in with this browser before."""
    known = select(col(BrowserSession.id)).where(
        col(BrowserSession.device_hash) == device_hash, col(BrowserSession.principal_id) == principal_id
    )
    return session.scalar(known.limit(1)) is not None
