"""Back the database up and restore it."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from rimekeep.cli.check import findings
from rimekeep.cli.output import out
from rimekeep.platform.backups import Manifest, back_up
from rimekeep.platform.backups import restore as restore_backup
from rimekeep.platform.database import Database
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
