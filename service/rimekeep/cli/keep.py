"""Back up and restore the database, and give out everything of a site."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

import rimekeep.main  # noqa: F401 - every feature's tables
from rimekeep.access.queries import all_sites
from rimekeep.cli.check import findings
from rimekeep.cli.output import out
from rimekeep.errors import conflict, invalid
from rimekeep.platform.backups import Manifest, back_up
from rimekeep.platform.backups import restore as restore_backup
from rimekeep.platform.database import Database
from rimekeep.platform.export import Form, export_site
from rimekeep.platform.settings import load_settings

JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def _tell(manifest: Manifest, done: str, as_json: bool) -> None:
    if as_json:
        print(json.dumps(asdict(manifest), sort_keys=True))
        return
    out.print(f"{done}: {sum(manifest.tables.values()):,} rows in {len(manifest.tables)} tables.")
    for code, (events, last) in manifest.ledgers.items():
        out.print(f"  {code}: {events:,} events, the last one {last[:12]}…", markup=False)


def backup(
    file: Annotated[Path, typer.Argument(help="Where to write it; must not be there yet.")],
    as_json: JsonOption = False,
) -> None:
    """Back the database up, while the service runs; it says what the backup holds."""
    database = Database(load_settings())
    try:
        manifest = back_up(database.engine, file, datetime.now(UTC))
    finally:
        database.dispose()
    _tell(manifest, "Backed up", as_json)


def restore(file: Annotated[Path, typer.Argument(help="A backup.")], as_json: JsonOption = False) -> None:
    """Restore a backup into an empty database and verify it; exit 1, and keep nothing, if it disagrees."""
    settings = load_settings()
    database = Database(settings)
    try:
        manifest = restore_backup(file, settings, database.engine, findings)
    finally:
        database.dispose()
    _tell(manifest, "Restored and verified", as_json)


def export(
    site: Annotated[str, typer.Argument(help="The site's code.")],
    folder: Annotated[Path, typer.Argument(help="Where to write the files; empty or not there yet.")],
    form: Annotated[
        Form, typer.Option("--form", help="One JSON object a line, or tables.")
    ] = Form.JSON_LINES,
    as_json: JsonOption = False,
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
