"""A database to measure on, with a site and people, and a server on it if asked for."""

import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import httpx2
from sqlalchemy import inspect, text
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.errors import Invalid, invalid
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings
from rimekeep.stock.usecases import register_product


@dataclass(frozen=True, slots=True)
class Ground:
    """Where something is measured."""

    database: Database
    now: datetime
    caller: Caller
    tokens: dict[Role, str]
    url: str

    @property
    def kind(self) -> str:
        """Return the database's name and version."""
        with self.database.transaction(readonly=True) as session:
            if self.database.settings.is_sqlite:
                return f"SQLite {session.scalar(text('SELECT sqlite_version()'))}"
            return f"PostgreSQL {session.scalar(text('SHOW server_version'))}"

    def settle(self) -> None:
        """Let the database come to rest after much was written at once, as it does in daily work."""
        how = "ANALYZE" if self.database.settings.is_sqlite else "VACUUM (ANALYZE)"
        with self.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text(how))
        # SQLite puts its log, as long as all that was written, into the file once nobody is connected.
        self.database.engine.dispose()


def bench_product(session: Session, place: Ground, at: datetime, *, sku: str) -> int:
    """Register a beer in cans to measure with; return its id."""
    added = register_product(
        session,
        at,
        place.caller,
        sku=sku,
        name=f"Bench {sku}",
        package="can",
        abv_pct=5.0,
        case_mass_kg=8.6,
        cases_per_layer=12,
        layers_per_pallet=8,
        pallet_tare_kg=25.0,
        footprint="800x1200",
        carry_min_c=1.0,
        carry_max_c=8.0,
    )
    return added.id


@contextmanager
def ground(database_url: str | None, *, is_served: bool = False) -> Iterator[Ground]:
    """Yield an empty store; on SQLite in a temporary folder, on PostgreSQL in the empty database named."""
    with tempfile.TemporaryDirectory(prefix="rimekeep-bench-") as folder:
        url = database_url or f"sqlite:///{Path(folder) / 'bench.sqlite3'}"
        database = Database(load_settings(database_url=url, compute_workers=0))
        try:
            yield from _prepared(database, is_served)
        finally:
            if database_url is not None:
                _empty(database)
            database.dispose()


def _prepared(database: Database, is_served: bool) -> Iterator[Ground]:
    if inspect(database.engine).get_table_names():
        raise invalid(
            "--database-url", "The database is not empty.", "Name an empty one: everything in it is dropped."
        )
    upgrade(database.engine)
    # Whole seconds: readings are kept to the millisecond, and both ways must see the same instants.
    now = datetime.now(UTC).replace(microsecond=0)
    tokens = {}
    with database.transaction() as session:
        site, tokens[Role.ADMIN] = open_new_site(session, now, code="BENCH", name="Bench")
        for role in (Role.LEAD, Role.GATEWAY, Role.PICKER):
            added, tokens[role] = add_principal(
                session, now, site.id, kind=PrincipalKind.DEVICE, name=str(role), roles=[role]
            )
    caller = Caller(added.id, site.id, added.name, frozenset(Role))
    if not is_served:
        yield Ground(database, now, caller, tokens, "")
        return
    with served(database) as address:
        yield Ground(database, now, caller, tokens, address)


@contextmanager
def served(database: Database) -> Iterator[str]:
    """Serve a database in a process of its own until the block ends; yields the address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {
        **os.environ,
        "RIMEKEEP_DATABASE_URL": database.settings.database_url,
        "RIMEKEEP_JOBS": "false",
        "RIMEKEEP_LOG_LEVEL": "warning",
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "rimekeep.cli", "serve", "--port", str(port)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        address = f"http://127.0.0.1:{port}"
        _wait(address, process)
        yield address
    finally:
        process.terminate()
        process.wait(20)


def _wait(address: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline and process.poll() is None:
        try:
            if httpx2.get(f"{address}/readyz").is_success:
                return
        except httpx2.TransportError:
            time.sleep(0.1)
    raise Invalid("bench-server", "The server to be measured did not start.")


def _empty(database: Database) -> None:
    with database.engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
