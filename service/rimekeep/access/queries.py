"""Reads of sites, people and devices."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, bindparam, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.tables import AccessToken, Principal, Site
from rimekeep.errors import invalid, missing
from rimekeep.platform import idempotency
from rimekeep.platform.database import Listing
from rimekeep.platform.straight import Among, Prepared, ask

_HASHES: ColumnElement[str] = SQLModel.metadata.tables["access_token"].c.token_hash
# Every request runs it.
_HOLDERS: Select[*tuple[Any, ...]] = (
    select(col(Principal.id), col(Principal.site_id), col(Principal.name), col(Principal.roles))
    .join(AccessToken, col(AccessToken.principal_id) == col(Principal.id))
    .where(col(AccessToken.revoked_at).is_(None), col(Principal.is_active))
)
_WHO = _HOLDERS.where(col(AccessToken.token_hash) == bindparam("hashed"))
_CALLER = Prepared(_WHO)
_CALLERS = Prepared(
    _HOLDERS.where(Among(SQLModel.metadata.tables["access_token"].c.token_hash, "hashes")).add_columns(
        col(AccessToken.token_hash)
    )
)
_KEYS = idempotency.Keys(
    select(col(AccessToken.principal_id))
    .where(col(AccessToken.token_hash) == bindparam("hashed"))
    .scalar_subquery(),
    _WHO,
    SQLModel.metadata.tables["principal"].c.id,
)


def caller_with(session: Session, token_hash: str) -> Caller | None:
    """Return who holds the token with this hash; None if it is unknown, revoked or its holder inactive."""
    rows = ask(session, _CALLER, {"hashed": token_hash})
    return _caller(rows[0]) if rows else None


def callers_with(session: Session, token_hashes: Collection[str]) -> dict[str, Caller]:
    """Return who holds tokens, by their hashes; whoever is not there or inactive is left out."""
    rows = ask(session, _CALLERS, {"hashes": sorted(token_hashes)})
    return {row[-1]: _caller(row) for row in rows}


def caller_with_key(session: Session, token_hash: str, key: str) -> tuple[Caller | None, idempotency.Found]:
    """Return who holds the token, and what is known of a key of theirs, for :func:`idempotency.begin`."""
    row, found = _KEYS.ask(session, key, {"hashed": token_hash})
    return None if row is None else _caller(row), found


def _caller(row: Sequence[Any]) -> Caller:
    return Caller(row[0], row[1], row[2], frozenset(Role(role) for role in row[3]))


def caller_of(session: Session, principal_id: int) -> Caller | None:
    """Return a person or device by id, for what they asked to be done later; None once inactive."""
    row = session.execute(
        select(col(Principal.id), col(Principal.site_id), col(Principal.name), col(Principal.roles)).where(
            col(Principal.id) == principal_id, col(Principal.is_active)
        )
    ).one_or_none()
    return None if row is None else _caller(row)


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
        what = "Several sites share this." if site_code is None else f"There is no site {site_code!r}."
        raise invalid("--site", what if sites else "There is no site yet.", f"Name one; known are: {known}.")
    holders = session.scalars(
        select(Principal)
        .where(col(Principal.site_id) == chosen[0].id, col(Principal.is_active))
        .order_by(col(Principal.id))
    )
    for holder in holders:
        if Role.ADMIN in holder.roles:
            return Caller(holder.id, holder.site_id, holder.name, frozenset(map(Role, holder.roles)))
    raise missing("active admin", chosen[0].code)


def principal(session: Session, site_id: int, principal_id: int) -> Principal:
    """Return a person or device of the site."""
    found = session.get(Principal, principal_id)
    if found is None or found.site_id != site_id:
        raise missing("person or device", principal_id)
    return found


def principals(site_id: int, kind: str) -> Listing:
    """Return the statement for a site's people or devices, and its order."""
    statement = select(Principal).where(col(Principal.site_id) == site_id, col(Principal.kind) == kind)
    return statement, [col(Principal.id)]
