"""Serve the API, bring the database up to date, print the API's description."""

import json
from datetime import UTC, datetime
from typing import Annotated

import typer
import uvicorn
from sqlalchemy import inspect

from rimekeep import worker
from rimekeep.access.queries import any_site_exists
from rimekeep.access.usecases import open_new_site
from rimekeep.cli.output import err, out
from rimekeep.errors import Fault, Refused
from rimekeep.main import create_app
from rimekeep.platform.database import Database
from rimekeep.platform.log import configure_logs
from rimekeep.platform.migrate import is_current, upgrade
from rimekeep.platform.settings import Settings, load_settings


def prepare(database: Database) -> str | None:
    """
    See that the database can be served; return the first admin's token if it was empty, else None.

    An empty database gets its tables and a first site. One of another version is left alone: a running
    system is migrated on purpose, by ``rimekeep db upgrade``.
    """
    if not inspect(database.engine).get_table_names():
        upgrade(database.engine)
    elif not is_current(database.engine):
        raise Refused(
            "migration-needed",
            "The database has the tables of another version.",
            (
                Fault(
                    "database",
                    "It is not at this version's migration.",
                    "Back it up, then run `rimekeep db upgrade`.",
                ),
            ),
        )
    with database.transaction() as session:
        if any_site_exists(session):
            return None
        given = database.settings.admin_token
        _, token = open_new_site(
            session,
            datetime.now(UTC),
            code="MAIN",
            name="Cold store",
            token=given.get_secret_value() if given else None,
        )
        return token


def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on; default RIMEKEEP_HOST.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on; default RIMEKEEP_PORT.")] = None,
) -> None:
    """Serve the API; jobs run beside it unless RIMEKEEP_JOBS=false."""
    overrides = {name: value for name, value in (("host", host), ("port", port)) if value is not None}
    settings = load_settings(**overrides)
    configure_logs(settings.log_level, settings.log_format)
    database = Database(settings)
    try:
        token = prepare(database)
    except BaseException:
        database.dispose()
        raise
    if token is not None:
        out.print("This database was empty. The first admin's token, shown this once:")
        out.print(f"  {token}", markup=False, soft_wrap=True)
    run_server(settings, database)


def run_server(settings: Settings, database: Database) -> None:
    """Serve until interrupted."""
    application = create_app(settings, database=database)
    scheduler = worker.make_scheduler(database) if settings.jobs else None
    if scheduler is not None:
        scheduler.start()
    err.print(f"Serving on http://{settings.host}:{settings.port} (documentation: /docs). Stop with Ctrl-C.")
    try:
        uvicorn.run(
            application,
            host=settings.host,
            port=settings.port,
            log_config=None,
            server_header=False,
            timeout_graceful_shutdown=5,
        )
    finally:
        if scheduler is not None:
            scheduler.stop()
        database.dispose()


def upgrade_database() -> None:
    """Bring the database to this version's tables."""
    database = Database(load_settings())
    upgrade(database.engine)
    database.dispose()
    out.print("The database has this version's tables.")


def openapi() -> None:
    """Print the OpenAPI document."""
    application = create_app(load_settings(database_url="sqlite:///unused.sqlite3"))
    print(json.dumps(application.openapi(), indent=1, ensure_ascii=False, sort_keys=True))
