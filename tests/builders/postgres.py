"""A PostgreSQL server of the tests' own: its files in a temporary folder, reachable by a socket only."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import psycopg

from builders.scratch import scratch_folder

# Tests may lose their data in a power cut; they need not wait for the disk, nor keep a standby informed.
CARELESS = (
    "-c full_page_writes=off -c wal_level=minimal -c max_wal_senders=0 -c jit=off"
    # Inside the server's folder, which is removed: a stop in a hurry would leave it behind elsewhere.
    " -c dynamic_shared_memory_type=mmap"
)


def find_binary(name: str) -> Path:
    """Return a server program; Debian keeps them outside PATH."""
    found = shutil.which(name)
    if found:
        return Path(found).resolve()
    for folder in sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True):
        if (folder / name).exists():
            return folder / name
    raise RuntimeError(
        f"PostgreSQL's {name} is not installed; `make test` installs it on Debian (see .ci/postgres)"
    )


@dataclass
class PostgresServer:
    """A running server."""

    folder: Path
    log: Path
    owner: str | None
    port: int
    _numbers: Iterator[int]
    _admin: psycopg.Connection | None = None

    def url(self, name: str) -> str:
        """Return the address of one database for the service."""
        return f"postgresql+psycopg://postgres@/{name}?host={self.folder}&port={self.port}"

    def admin(self, statement: str) -> None:
        """Do something as the server's owner, on one connection as long as the server runs."""
        if self._admin is None:
            self._admin = psycopg.connect(
                host=str(self.folder), port=self.port, user="postgres", dbname="postgres", autocommit=True
            )
        self._admin.execute(statement)  # type: ignore[call-overload]

    def create(self, template: str = "template0") -> str:
        """Create a database from a template; return its name."""
        name = f"t{os.getpid()}_{next(self._numbers)}"
        self.admin(f'CREATE DATABASE "{name}" TEMPLATE "{template}" STRATEGY file_copy')
        return name

    def drop(self, name: str) -> None:
        """Drop a database, whoever is still connected."""
        self.admin(f'DROP DATABASE "{name}" WITH (FORCE)')

    def start(self) -> None:
        """Start it, for the first time or again."""
        options = f"-k {self.folder} -h '' -p {self.port} -F -c max_connections=200 {CARELESS}"
        self.control("start", "-l", str(self.log), "-o", options)

    def control(self, action: str, *options: str) -> None:
        """Run pg_ctl."""
        if self._admin is not None:
            self._admin.close()
            self._admin = None
        _run(
            [str(find_binary("pg_ctl")), "-D", str(self.folder / "data"), "-w", *options, action], self.owner
        )


def _run(command: list[str], owner: str | None) -> None:
    subprocess.run(
        command,
        check=True,
        user=owner,
        capture_output=True,
        timeout=180,
        cwd="/",
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8"},
    )


def _owner() -> str | None:
    # The server refuses to run as root; Debian's package brings the user it wants.
    if os.geteuid() != 0:
        return None
    pwd.getpwnam("postgres")
    return "postgres"


@contextmanager
def start_postgres() -> Iterator[PostgresServer]:
    """Start a server; stop it and remove its files at the end."""
    owner = _owner()
    folder = Path(tempfile.mkdtemp(prefix="pg", dir=scratch_folder()))
    if owner:
        shutil.chown(folder, owner)
    folder.chmod(0o755)
    server = PostgresServer(folder, folder / "log", owner, 5432, count())
    try:
        _run(
            [
                str(find_binary("initdb")),
                "-D",
                str(folder / "data"),
                "-U",
                "postgres",
                "--auth=trust",
                "--encoding=UTF8",
                "--no-sync",
                "--locale=C",
            ],
            owner,
        )
        server.start()
        try:
            yield server
        finally:
            server.control("stop", "-m", "immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
