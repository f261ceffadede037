"""What tests stand on: both databases, for real, and an application on each."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi import FastAPI
from sqlalchemy.orm import Session

from builders.api import Api
from builders.postgres import PostgresServer, start_postgres
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.main import create_app
from rimekeep.platform.database import Database
from rimekeep.platform.http import get_now
from rimekeep.platform.log import configure_logs
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings

configure_logs("warning", "text")


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A real PostgreSQL server, started for this session on a socket of its own."""
    with start_postgres() as server:
        yield server


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file with all tables, made by the migrations, to be copied."""
    path = tmp_path_factory.mktemp("template") / "template.sqlite3"
    database = Database(load_settings(database_url=f"sqlite:///{path}"))
    upgrade(database.engine)
    database.dispose()
    return path


@pytest.fixture(scope="session")
def postgres_template(postgres: PostgresServer) -> str:
    """A PostgreSQL database with all tables, made by the migrations, to be copied."""
    name = postgres.create()
    database = Database(load_settings(database_url=postgres.url(name)))
    upgrade(database.engine)
    database.dispose()
    return name


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of an empty, migrated database; every test that asks runs on both kinds."""
    if request.param == "sqlite":
        path = tmp_path / "rimekeep.sqlite3"
        shutil.copy(request.getfixturevalue("sqlite_template"), path)
        yield f"sqlite:///{path}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create(request.getfixturevalue("postgres_template"))
    yield server.url(name)
    server.drop(name)


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """An empty, migrated database."""
    opened = Database(load_settings(database_url=database_url, compute_workers=0, webhook_allow_private=True))
    yield opened
    opened.dispose()


class Clock:
    """The application's clock in a test."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    """A clock that stands at 2026-03-16 06:00 UTC until the test moves it."""
    return Clock(datetime(2026, 3, 16, 6, 0, tzinfo=UTC))


@pytest.fixture(scope="session")
def shared_app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    """One application for the session: its routes take longer to build than most tests to run."""
    unused = tmp_path_factory.mktemp("unused") / "unused.sqlite3"
    app = create_app(load_settings(database_url=f"sqlite:///{unused}", compute_workers=0))
    yield app
    app.state.database.dispose()


@pytest.fixture
def app(shared_app: FastAPI, database: Database, clock: Clock) -> Iterator[FastAPI]:
    """The application on this test's database and clock. Tests that change its routes override this."""
    state = shared_app.state
    before = state.database, state.settings, state.compute
    state.database, state.settings = database, database.settings
    shared_app.dependency_overrides[get_now] = clock
    yield shared_app
    shared_app.dependency_overrides.clear()
    state.database, state.settings, state.compute = before


@pytest.fixture
def api(app: FastAPI, database: Database, clock: Clock) -> Api:
    """The application on an empty site with one person or device per role."""
    tokens, callers = {}, {}
    with database.transaction() as session:
        site, tokens["admin"] = open_new_site(
            session, clock.now, code="NORTH", name="North store (invented)", company_prefix="9521234"
        )
        for role in Role:
            if role is Role.ADMIN:
                continue
            kind = PrincipalKind.DEVICE if role in {Role.GATEWAY, Role.PICKER} else PrincipalKind.PERSON
            holder, tokens[role] = add_principal(
                session, clock.now, site.id, kind=kind, name=f"the {role}", roles=[role]
            )
            callers[str(role)] = Caller(holder.id, site.id, holder.name, frozenset([role]))
    return Api(app, tokens, callers)


@pytest.fixture
def session(database: Database) -> Iterator[Session]:
    """A session on the empty database; what the test does is committed at its end."""
    with database.transaction() as opened:
        yield opened
