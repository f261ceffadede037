"""The file a backup is: a ZIP archive with the database's own dump and a manifest of what is in it."""

import hashlib
import json
import os
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection, func, inspect, select, text

from rimekeep.errors import Refused, refused
from rimekeep.platform.partitions import partition_names

FORMAT = "rimekeep backup 1"
MANIFEST, DUMP = "manifest.json", "database"
PIECE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds: counts of all tables, and where the ledger of each site stood."""

    format: str
    kind: str
    migration: str
    made_at: str
    dump_bytes: int
    dump_sha256: str
    tables: dict[str, int]
    # By the site's code: how many events its ledger has, and the last one's hash.
    ledgers: dict[str, list[Any]]


def contents(connection: Connection) -> tuple[str, dict[str, int], dict[str, list[Any]]]:
    """Return what a database holds, as the manifest tells it: migration, counts, ledgers."""
    migration = str(connection.scalar(text("SELECT version_num FROM alembic_version")))
    pieces = partition_names(connection)
    quoted = connection.dialect.identifier_preparer.quote
    tables = {
        name: int(connection.scalar(select(func.count()).select_from(text(quoted(name)))) or 0)
        for name in sorted(inspect(connection).get_table_names())
        if name not in pieces
    }
    heads = text(
        "SELECT site.code, event_seq, event_hash FROM site_head JOIN site ON site.id = site_head.site_id"
    )
    return migration, tables, {row[0]: [int(row[1]), row[2]] for row in connection.execute(heads)}


def differences(manifest: Manifest, connection: Connection) -> Iterator[str]:
    """Yield where a database does not hold what the manifest says."""
    migration, tables, ledgers = contents(connection)
    if migration != manifest.migration:
        yield f"the tables are of migration {migration}, not {manifest.migration}"
    for name in sorted(tables.keys() | manifest.tables.keys()):
        if tables.get(name) != manifest.tables.get(name):
            yield f"{name} has {tables.get(name)} rows, not {manifest.tables.get(name)}"
    for code in sorted(ledgers.keys() | manifest.ledgers.keys()):
        if ledgers.get(code) != manifest.ledgers.get(code):
            yield f"the ledger of {code} ends at {ledgers.get(code)}, not at {manifest.ledgers.get(code)}"


def digest_of(file: BinaryIO) -> tuple[int, str]:
    """Return the length and the SHA-256 of a file."""
    digest, size = hashlib.sha256(), 0
    while piece := file.read(PIECE_BYTES):
        digest.update(piece)
        size += len(piece)
    return size, digest.hexdigest()


def pack(target: Path, dump: Path, manifest: Manifest) -> None:
    """Write the archive; it has its name only when it is whole and on the disk."""
    partial = target.with_name(f".{target.name}.partial")
    try:
        # It holds the webhooks' secrets: nobody else on the machine may read it.
        with os.fdopen(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                archive.write(dump, DUMP)
                archive.writestr(MANIFEST, json.dumps(asdict(manifest), indent=1, sort_keys=True))
            file.flush()
            os.fsync(file.fileno())
        partial.rename(target)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def _broken(what: str) -> Refused:
    return refused("backup-broken", "file", f"This is not a whole backup: {what}.", "Take another one.")


@contextmanager
def unpacked(source: Path, folder: Path) -> Iterator[tuple[Manifest, Path]]:
    """
    Yield the manifest and the dump, written into ``folder``, of a backup that is whole.

    Raises
    ------
    Refused
        The file is cut short, altered, or something else.
    """
    dump = folder / DUMP
    try:
        with zipfile.ZipFile(source) as archive:
            manifest = Manifest(**json.loads(archive.read(MANIFEST)))
            if manifest.format != FORMAT:
                raise _broken(f"its format is {manifest.format!r}, not {FORMAT!r}")
            with archive.open(DUMP) as packed, dump.open("xb") as file:
                shutil.copyfileobj(packed, file, PIECE_BYTES)
    except FileNotFoundError:
        raise refused("backup-missing", "file", f"There is no file {source.name}.", "Name another.") from None
    except (zipfile.BadZipFile, KeyError, TypeError, ValueError, EOFError, zipfile.zlib.error) as error:  # type: ignore[attr-defined]
        raise _broken(f"it is cut short or altered ({error})") from error
    with dump.open("rb") as file:
        if digest_of(file) != (manifest.dump_bytes, manifest.dump_sha256):
            raise _broken("the database in it is not the one its manifest tells of")
    yield manifest, dump
