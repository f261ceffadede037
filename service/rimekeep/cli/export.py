"""Give out everything of a site."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

import rimekeep.main  # noqa: F401 - every feature's tables
from rimekeep.access.queries import all_sites
from rimekeep.cli.output import out
from rimekeep.errors import conflict, invalid
from rimekeep.platform.database import Database
from rimekeep.platform.export import Form, export_site
from rimekeep.platform.settings import load_settings


def export(
    site: Annotated[str, typer.Argument(help="The site's code.")],
    folder: Annotated[Path, typer.Argument(help="Where to write the files; empty or not there yet.")],
    form: Annotated[
        Form, typer.Option("--form", help="One JSON object a line, or tables.")
    ] = Form.JSON_LINES,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Write everything of a site in open formats, without secrets, with a manifest of counts and digests."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise conflict("folder-in-use", "folder", f"{folder} is not an empty folder.", "Give another one.")
    database = Database(load_settings())
    try:
        with database.transaction(readonly=True) as session:
            if not database.settings.is_sqlite:
                # All tables as they were at one moment; SQLite's readers see no other.
                session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
            known = {one.code: one.id for one in all_sites(session)}
            if site not in known:
                raise invalid(
                    "site", f"There is no site {site!r}.", f"Known are: {', '.join(sorted(known))}."
                )
            folder.mkdir(parents=True, exist_ok=True)
            files = export_site(session, known[site], folder, form, datetime.now(UTC))
    finally:
        database.dispose()
    if as_json:
        print(json.dumps({one.table: one.rows for one in files}))
    else:
        out.print(f"Wrote {sum(one.rows for one in files):,} rows of {site} into {len(files)} files.")
