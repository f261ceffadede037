"""Restore a backup into an empty database, and leave nothing there unless it is what was backed up."""

from collections.abc import Callable, Iterable
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import Engine, create_engine, inspect, text
from sqlalchemy.orm import Session

from rimekeep.errors import refused
from rimekeep.platform.backups import programs
from rimekeep.platform.backups.archive import Manifest, differences, unpacked
from rimekeep.platform.migrate import newest
from rimekeep.platform.settings import Settings

Check = Callable[[Session], Iterable[str]]


def restore(source: Path, settings: Settings, engine: Engine, check: Check) -> Manifest:
    """
    Restore ``source`` into the empty database of ``engine``; return what it holds.

    Afterwards counts and ledgers are compared with the manifest and ``check`` is asked for disagreements. If
    anything is found the database is left as empty as it was.
    """
    if inspect(engine).get_table_names():
        raise refused(
            "database-not-empty",
            "database",
            "The database holds tables already; nothing was restored.",
            "Name an empty one by RIMEKEEP_DATABASE_URL.",
        )
    folder = settings.sqlite_file.parent if settings.sqlite_file else None
    with (
        TemporaryDirectory(prefix=".restore", dir=folder) as scratch,
        unpacked(source, Path(scratch)) as (manifest, dump),
    ):
        _fits(manifest, engine)
        if settings.sqlite_file is not None:
            _place(dump, settings.sqlite_file, engine, manifest, check)
        else:
            _load(dump, engine, manifest, check)
    return manifest


def _fits(manifest: Manifest, engine: Engine) -> None:
    if manifest.kind != engine.dialect.name:
        raise refused(
            "other-kind",
            "file",
            f"The backup is one of {manifest.kind}, the database is {engine.dialect.name}.",
            "Restore it into a database of its kind.",
        )
    if manifest.migration != newest():
        raise refused(
            "other-version",
            "file",
            f"The backup has the tables of migration {manifest.migration}, this version those of {newest()}.",
            "Restore it with the version that made it, then run `rimekeep db upgrade`.",
        )


def _verify(engine: Engine, manifest: Manifest, check: Check) -> None:
    with engine.connect() as connection:
        found = list(differences(manifest, connection))
    with Session(engine) as session:
        found += check(session)
    if found:
        raise refused(
            "restore-disagrees",
            "file",
            f"What came out is not what was backed up ({len(found)} findings, first: {found[0]}).",
            "Nothing was kept; take another backup.",
            {"findings": found[:100]},
        )


def _place(dump: Path, target: Path, engine: Engine, manifest: Manifest, check: Check) -> None:
    checked = create_engine(f"sqlite:///{dump}")
    try:
        _verify(checked, manifest, check)
    finally:
        checked.dispose()
    engine.dispose()
    for left in (target.with_name(f"{target.name}-wal"), target.with_name(f"{target.name}-shm")):
        left.unlink(missing_ok=True)
    dump.replace(target)


def _load(dump: Path, engine: Engine, manifest: Manifest, check: Check) -> None:
    with _emptied_unless_good(engine):
        programs.run("pg_restore", engine, "--exit-on-error", "--single-transaction", "--no-owner", str(dump))
        _verify(engine, manifest, check)


@contextmanager
def _emptied_unless_good(engine: Engine) -> Any:
    try:
        yield
    except BaseException:
        # It was empty when we began; whoever breaks off has not verified it.
        with engine.begin() as connection:
            connection.execute(text("DROP SCHEMA public CASCADE"))
            connection.execute(text("CREATE SCHEMA public"))
        raise
