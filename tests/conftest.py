"""What tests stand on: both databases, for real, and an application on each."""

from __future__ import annotations

import gc
import shutil
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, settings
from sqlalchemy.orm import Session

from builders.api import Api
from builders.databases import NOW, People, open_database, open_site
from builders.grounds import Clock, Ground, Make, lay, make_of, placed
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


# Modules of which a single test takes long.
LONG = frozenset(
    {"test_amend_states", "test_broker", "test_cli", "test_crowd", "test_devices", "test_events_killed", "test_killed", "test_outage",
     "test_rush", "test_shared_exposure", "test_shift", "test_whole_job"}
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes longest goes first: no process is left with it at the end while the others stand idle."""
    items.sort(key=lambda item: item.path.stem not in LONG)


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


@pytest.fixture(scope="session")
def grounds() -> dict[tuple[str, Make], Ground]:
    """What was made once to be copied, by the kind of database."""
    return {}


def _source(request: pytest.FixtureRequest) -> Any:
    """What the database of a test is copied from: with a ground, with the site, or with empty tables."""
    kind: str = request.param
    if "api" not in request.fixturenames:
        return request.getfixturevalue(f"{'sqlite' if kind == 'sqlite' else 'postgres'}_template")
    site, people = request.getfixturevalue(f"{'sqlite' if kind == 'sqlite' else 'postgres'}_site")
    make = make_of(request)
    if make is None:
        return site
    grounds = request.getfixturevalue("grounds")
    if (kind, make) not in grounds:
        app = request.getfixturevalue("shared_app")
        if kind == "sqlite":
            source = site.with_name(f"ground-{len(grounds)}.sqlite3")
            shutil.copy(site, source)
            url = f"sqlite:///{source}"
        else:
            server: PostgresServer = request.getfixturevalue("postgres")
            source = server.create(site)
            url = server.url(source)
        grounds[kind, make] = lay(app, source, url, people, make)
    return grounds[kind, make].source


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """
    The address of a migrated database; every test that asks runs on both kinds.

    It is empty, unless the test asks for `api`: then the site is in it from the start, and the module's ground.
    """
    source = _source(request)
    if request.param == "sqlite":
        with TemporaryDirectory(prefix="rimekeep", dir=scratch_folder()) as folder:
            path = Path(folder) / "rimekeep.sqlite3"
            shutil.copy(source, path)
            yield f"sqlite:///{path}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create(source)
    yield server.url(name)
    server.drop(name)


@pytest.fixture
def ground(
    request: pytest.FixtureRequest, database: Database, grounds: dict[tuple[str, Make], Ground]
) -> Any:
    """What the maker of this test's ground returned (`builders.grounds`)."""
    make = make_of(request)
    assert make is not None, "the module has no ground for what this test asks for"
    return grounds["sqlite" if database.settings.is_sqlite else "postgresql", make].made()


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """The database of `database_url`, opened."""
    opened = open_database(database_url)
    yield opened
    opened.dispose()


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
    with placed(shared_app, database, clock):
        yield shared_app


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
