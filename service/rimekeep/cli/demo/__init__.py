"""The invented demo: load it, run two weeks through, tell a day's story, serve what is left."""

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from rimekeep.cli.demo.files import Scenario, find_folder
from rimekeep.cli.demo.load import Team, load
from rimekeep.cli.demo.story import tell
from rimekeep.cli.output import out
from rimekeep.cli.serve import run_server
from rimekeep.errors import invalid
from rimekeep.platform.database import Database
from rimekeep.platform.log import configure_logs
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings

OWN_FILE = Path("var/demo.sqlite3")


def demo(
    once: Annotated[bool, typer.Option("--once", help="End after the story instead of serving.")] = False,
    fixtures: Annotated[
        Path | None, typer.Option(help="Folder of the scenario; default fixtures/demo.")
    ] = None,
    database_url: Annotated[
        str | None, typer.Option(help="An empty database to use; default: a fresh var/demo.sqlite3.")
    ] = None,
    port: Annotated[int | None, typer.Option(help="Port to serve on; default RIMEKEEP_PORT.")] = None,
) -> None:
    """Run the main job on the invented demo, then serve it on loopback."""
    started = time.perf_counter()
    overrides: dict[str, object] = {"host": "127.0.0.1", "compute_workers": 0}
    if port is not None:
        overrides["port"] = port
    settings = load_settings(database_url=database_url or _fresh_file(), **overrides)
    configure_logs("warning", "text")
    database = Database(settings)
    try:
        upgrade(database.engine)
        scenario = Scenario(fixtures or find_folder(), datetime.now(UTC))
        team = load(database, scenario)
        tell(database, scenario, team)
        out.print(f"\nThe story took {time.perf_counter() - started:.1f} s.")
        if once:
            return
        _introduce(team, settings.port)
        run_server(settings, database)
    finally:
        database.dispose()


def _fresh_file() -> str:
    OWN_FILE.parent.mkdir(exist_ok=True)
    for suffix in ("", "-wal", "-shm"):
        OWN_FILE.with_name(OWN_FILE.name + suffix).unlink(missing_ok=True)
    return f"sqlite:///{OWN_FILE}"


def _introduce(team: Team, port: int) -> None:
    if port == 0:
        raise invalid("--port", "0 means any free port.", "Name one, so that the address can be printed.")
    out.print("\nTokens of this demo (they work for this database only):")
    for name, token in team.tokens.items():
        out.print(f"  {name:<28} {token}", markup=False, soft_wrap=True)
    out.print(f"\nPage of the day:  http://127.0.0.1:{port}/  (sign in with the lead's token)")
    out.print(f"Documentation:    http://127.0.0.1:{port}/docs")
