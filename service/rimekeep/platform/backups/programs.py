"""PostgreSQL's own programs for dumps, and how they are told where the database is."""

import os
import shutil
import subprocess

from psycopg.conninfo import make_conninfo
from sqlalchemy import Engine

from rimekeep.errors import refused


def run(program: str, engine: Engine, *options: str) -> None:
    """
    Run pg_dump or pg_restore on a database; its password travels in the environment.

    Raises
    ------
    Refused
        The program is not there, or failed; what it said is told.
    """
    path = shutil.which(program)
    if path is None:
        raise refused(
            "program-missing",
            program,
            f"{program} is not installed here.",
            "Install PostgreSQL's client programs, of the server's version or a later one.",
        )
    _, given = engine.dialect.create_connect_args(engine.url)
    where = {name: str(value) for name, value in given.items() if name not in {"password", "context"}}
    environment = dict(os.environ)
    if engine.url.password is not None:
        environment["PGPASSWORD"] = str(engine.url.password)
    done = subprocess.run(
        [path, "--no-password", f"--dbname={make_conninfo(**where)}", *options],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        said = done.stderr.strip().splitlines()
        told = said[0] if said else "nothing"
        raise refused("program-failed", program, f"{program} failed and said: {told}.", "See to that first.")
