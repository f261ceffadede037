"""Databases for tests: a site with one person or device per role, and statements compiled once for all of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Dialect
from sqlalchemy.util import LRUCache

from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
_compiled: dict[str, tuple[Dialect, LRUCache]] = {}


def open_database(url: str) -> Database:
    """Open a database; what SQLAlchemy compiled for an earlier one of its kind is used again."""
    opened = Database(load_settings(database_url=url, compute_workers=0, webhook_allow_private=True))
    for engine in (opened.engine, opened._reading):
        dialect, compiled = _compiled.setdefault(engine.name, (engine.dialect, LRUCache(2_000)))
        engine.dialect = dialect
        engine.update_execution_options(compiled_cache=compiled)
    return opened


@dataclass(frozen=True)
class People:
    """Who is at the site: their tokens, and all but the admin as callers, by role."""

    tokens: dict[str, str]
    callers: dict[str, Caller]


def open_site(url: str) -> People:
    """Open the site NORTH in an empty database, with one person or device per role."""
    tokens, callers = {}, {}
    database = open_database(url)
    with database.transaction() as session:
        site, tokens["admin"] = open_new_site(
            session, NOW, code="NORTH", name="North store (invented)", company_prefix="9521234"
        )
        for role in Role:
            if role is Role.ADMIN:
                continue
            kind = PrincipalKind.DEVICE if role in {Role.GATEWAY, Role.PICKER} else PrincipalKind.PERSON
            holder, tokens[role] = add_principal(
                session, NOW, site.id, kind=kind, name=f"the {role}", roles=[role]
            )
            callers[str(role)] = Caller(holder.id, site.id, holder.name, frozenset([role]))
    database.dispose()
    return People(tokens, callers)
