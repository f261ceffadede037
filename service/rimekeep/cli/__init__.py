"""
The command line.

Exit codes: 0 done, 1 the answer is no, 2 bad input. ``--json`` prints for programs wherever one may read it.
"""

import sys

import typer

from rimekeep.cli import check, imports, life, plan_load, serve
from rimekeep.cli.bench import bench
from rimekeep.cli.demo import demo
from rimekeep.cli.output import complain
from rimekeep.errors import Refused, RimekeepError

app = typer.Typer(
    name="rimekeep",
    help="Life left, first-expired picking and legal truck loads for a brewery's cold store.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
db = typer.Typer(help="The database.", no_args_is_help=True)
app.add_typer(db, name="db")

app.command("demo")(demo)
app.command("serve")(serve.serve)
db.command("upgrade")(serve.upgrade_database)
app.command("import")(imports.import_file)
app.command("life")(life.life)
app.command("plan-load")(plan_load.plan_load)
app.command("openapi")(serve.openapi)
app.command("bench")(bench)
app.command("check")(check.check)


def main() -> None:
    """Run a command; an error a user can cause is told in plain words, not as a traceback."""
    try:
        app()
    except RimekeepError as error:
        complain(error)
        sys.exit(1 if isinstance(error, Refused) else 2)
