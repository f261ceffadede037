"""
The command line.

Exit codes: 0 done, 1 the answer is no, 2 bad input. ``--json`` prints for programs wherever one may read it.
"""

import sys
from collections.abc import Callable
from importlib import import_module
from typing import Any

import typer

from rimekeep.cli.output import complain
from rimekeep.errors import Refused, RimekeepError

# Where each command lives. Only the one asked for is imported: the solvers take a second to load.
COMMANDS = {
    "demo": "rimekeep.cli.demo:demo",
    "serve": "rimekeep.cli.serve:serve",
    "db": "rimekeep.cli.serve:upgrade_database",
    "import": "rimekeep.cli.imports:import_file",
    "life": "rimekeep.cli.life:life",
    "simulate": "rimekeep.cli.simulate:simulate",
    "plan-load": "rimekeep.cli.plan_load:plan_load",
    "openapi": "rimekeep.cli.serve:openapi",
    "bench": "rimekeep.cli.bench:bench",
    "rush": "rimekeep.cli.bench.rush:rush",
    "check": "rimekeep.cli.check:check",
    "backup": "rimekeep.cli.keep:backup",
    "restore": "rimekeep.cli.keep:restore",
    "export": "rimekeep.cli.export:export",
}


def make_app(only: str | None = None) -> typer.Typer:
    """Return the command line, with one command or all of them."""
    app = typer.Typer(
        name="rimekeep",
        help="Life left, first-expired picking and legal truck loads for a brewery's cold store.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
    )
    # A callback keeps the command's name in front even where only one is registered.
    app.callback()(lambda: None)
    for name in COMMANDS if only is None else (only,):
        module, _, attribute = COMMANDS[name].partition(":")
        command: Callable[..., Any] = getattr(import_module(module), attribute)
        if name == "db":
            database = typer.Typer(help="The database.", no_args_is_help=True)
            database.callback()(lambda: None)
            database.command("upgrade")(command)
            app.add_typer(database, name="db")
        else:
            app.command(name)(command)
    return app


def main() -> None:
    """Run a command; an error a user can cause is told in plain words, not as a traceback."""
    asked = next((word for word in sys.argv[1:] if not word.startswith("-")), None)
    try:
        make_app(asked if asked in COMMANDS else None)()
    except RimekeepError as error:
        complain(error)
        sys.exit(1 if isinstance(error, Refused) else 2)
