"""Does everything the database holds agree with itself?"""

import json
from collections.abc import Iterator
from typing import Annotated

import typer
from sqlalchemy.orm import Session

from rimekeep.access.queries import all_sites
from rimekeep.cli.output import err, out
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.platform.migrate import is_current
from rimekeep.platform.settings import load_settings
from rimekeep.stock.queries import stays_that_disagree
from rimekeep.tracing.queries import lots_that_disagree


def findings(session: Session) -> Iterator[str]:
    """Yield every disagreement in the database."""
    for site in all_sites(session):
        yield from broken_links(session, site.id)
        yield from stays_that_disagree(session, site.id)
        yield from reservations_that_disagree(session, site.id)
        yield from lots_that_disagree(session, site.id)


def check(as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False) -> None:
    """Verify the ledger's chain, every lot's cases, stays and reservations; exit 1 if anything disagrees."""
    database = Database(load_settings())
    if not is_current(database.engine):
        found = ["the database does not have this version's tables; run `rimekeep db upgrade`"]
    else:
        with database.transaction(readonly=True) as session:
            found = list(findings(session))
    database.dispose()
    if as_json:
        print(json.dumps({"agrees": not found, "findings": found}))
    elif found:
        for line in found:
            err.print(line, markup=False)
    else:
        out.print("Ledger, cases, stays and reservations agree.")
    if found:
        raise typer.Exit(1)
