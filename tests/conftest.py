"""What tests stand on: both databases, for real, and an application on each."""

from __future__ import annotations

import gc
import shutil
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, settings
from sqlalchemy.orm import Session

from builders.api import Api
from builders.databases import NOW, People, open_database, open_site
from builders.postgres import PostgresServer, start_postgres
from builders.scratch import scratch_folder
from rimekeep.main import create_app
from rimekeep.platform.database import Database
from rimekeep.platform.log import configure_logs
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings

configure_logs("warning", "text")

# How long an example takes tells of the machine and who else is at work on it. Speed is asked for by tests of its own.
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")


def pytest_collection_finish() -> None:
    """Spare the garbage collector what stays to the end: the modules and the tests themselves."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


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


@pytest.fixture(scope="session")
def sqlite_site(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, People]:
    """The same with the site NORTH in it, and who is there."""
    path = tmp_path_factory.mktemp("template") / "site.sqlite3"
    shutil.copy(sqlite_template, path)
    return path, open_site(f"sqlite:///{path}")


@pytest.fixture(scope="session")
def postgres_site(postgres: PostgresServer, postgres_template: str) -> tuple[str, People]:
    """The same with the site NORTH in it, and who is there."""
    name = postgres.create(postgres_template)
    return name, open_site(postgres.url(name))


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """
    The address of a migrated database; every test that asks runs on both kinds.

    It is empty, unless the test asks for `api`: then the site is in it from the start.
    """
    with_site = "api" in request.fixturenames
    if request.param == "sqlite":
        template: Path = (
            request.getfixturevalue("sqlite_site")[0]
            if with_site
            else request.getfixturevalue("sqlite_template")
        )
        with TemporaryDirectory(prefix="rimekeep", dir=scratch_folder()) as folder:
            path = Path(folder) / "rimekeep.sqlite3"
            shutil.copy(template, path)
            yield f"sqlite:///{path}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create(
        request.getfixturevalue("postgres_site")[0]
        if with_site
        else request.getfixturevalue("postgres_template")
    )
    yield server.url(name)
    server.drop(name)


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """The database of `database_url`, opened."""
    opened = open_database(database_url)
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
    return Clock(NOW)


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
    before = state.database, state.settings, state.compute, state.clock
    state.database, state.settings, state.clock = database, database.settings, clock
    yield shared_app
    state.database, state.settings, state.compute, state.clock = before


@pytest.fixture
def api(app: FastAPI, request: pytest.FixtureRequest, database: Database) -> Api:
    """The application on an empty site with one person or device per role."""
    _, people = request.getfixturevalue("sqlite_site" if database.settings.is_sqlite else "postgres_site")
    return Api(app, dict(people.tokens), dict(people.callers))


@pytest.fixture
def session(database: Database) -> Iterator[Session]:
    """A session on the empty database; what the test does is committed at its end."""
    with database.transaction() as opened:
        yield opened
