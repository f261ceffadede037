"""Take a backup: one moment of the whole database, while others write."""

import sqlite3
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import Engine, create_engine, text

from rimekeep.errors import conflict, refused
from rimekeep.platform.backups import programs
from rimekeep.platform.backups.archive import DUMP, FORMAT, Manifest, contents, digest_of, pack


def back_up(engine: Engine, target: Path, now: datetime) -> Manifest:
    """
    Write a backup of the database to ``target``, which must not be there yet; return what it holds.

    The manifest is counted in the very state that is dumped: in SQLite's copy, or in the snapshot that
    pg_dump is handed.
    """
    if target.exists():
        raise conflict("file-there", "file", f"{target.name} is there already.", "Give a name that is free.")
    if not target.parent.is_dir():
        raise refused("folder-missing", "file", f"There is no folder {target.parent}.", "Make it first.")
    # Beside the target, where there must be room for it anyway.
    with TemporaryDirectory(prefix=".backup", dir=target.parent) as folder:
        dump = Path(folder) / DUMP
        is_sqlite = engine.dialect.name == "sqlite"
        held = _copy(engine, dump) if is_sqlite else _dump(engine, dump)
        with dump.open("rb") as file:
            size, digest = digest_of(file)
        manifest = Manifest(FORMAT, engine.dialect.name, held[0], now.isoformat(), size, digest, *held[1:])
        pack(target, dump, manifest)
    return manifest


def _copy(engine: Engine, dump: Path) -> Any:
    source = sqlite3.connect(f"{Path(str(engine.url.database)).resolve().as_uri()}?mode=ro", uri=True)
    copied = sqlite3.connect(dump)
    try:
        # In one step: the read lock it takes lets writers go on in the write-ahead log.
        source.backup(copied, pages=-1)
        # One file, whatever becomes of those beside it.
        copied.execute("PRAGMA journal_mode = DELETE")
    finally:
        copied.close()
        source.close()
    reading = create_engine(f"sqlite:///{dump}")
    try:
        with reading.connect() as connection:
            sound = connection.scalar(text("PRAGMA quick_check"))
            if sound != "ok":
                raise refused("database-damaged", "database", f"SQLite says: {sound}.", "Restore a backup.")
            return contents(connection)
    finally:
        reading.dispose()


def _dump(engine: Engine, dump: Path) -> Any:
    with engine.connect().execution_options(isolation_level="REPEATABLE READ") as connection:
        snapshot = connection.scalar(text("SELECT pg_export_snapshot()"))
        programs.run("pg_dump", engine, "--format=custom", f"--snapshot={snapshot}", f"--file={dump}")
        return contents(connection)
