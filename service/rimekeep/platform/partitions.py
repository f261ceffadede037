"""
A large table in monthly pieces on PostgreSQL, cut by a column of whole milliseconds since 1970, in UTC.

A month's partition is made as a table of its own and then attached: that takes a lock which neither readers
nor writers wait for, where creating it in place would shut everybody out. It needs a table without foreign
keys: attaching one with them would lock the tables they point to.
"""

import threading
import time
from collections.abc import Collection, Iterable
from datetime import UTC, datetime
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import Connection, Engine, inspect, text

# A process trusts its memory of the months there are for so long: another one may drop old ones. [s]
REMEMBERED_S = 600.0
# A drop gives up after this long and is tried again, rather than let readers queue up behind it. [ms]
DROP_WAIT_MS = 500
Months = set[int]


class _Known:
    """The months each table of a database is known to have, and until when that is believed."""

    def __init__(self) -> None:
        self.creating = threading.Lock()
        self._until: WeakKeyDictionary[Engine, dict[tuple[str, int], float]] = WeakKeyDictionary()

    def missing(self, engine: Engine, table: str, months: Months) -> Months:
        now, held = time.monotonic(), self._until.get(engine, {})
        return {month for month in months if held.get((table, month), 0.0) < now}

    def note(self, engine: Engine, table: str, months: Months) -> None:
        until = time.monotonic() + REMEMBERED_S
        self._until.setdefault(engine, {}).update({(table, month): until for month in months})

    def forget(self, engine: Engine, table: str, months: Iterable[int]) -> None:
        for month in months:
            self._until.get(engine, {}).pop((table, month), None)


_known = _Known()


def months_of(instants_ms: Collection[int]) -> Months:
    """Return the months, counted from January 1970, that instants lie in."""
    if not instants_ms:
        return set()
    first, last = _month(min(instants_ms)), _month(max(instants_ms))
    if first == last:
        return {first}
    return set(np.unique(np.array(list(instants_ms), dtype="M8[ms]").astype("M8[M]").astype(int)).tolist())


def _month(at_ms: int) -> int:
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    return (at.year - 1970) * 12 + at.month - 1


def bounds_ms(month: int) -> tuple[int, int]:
    """Return a month's first millisecond and that of the next month."""
    edges = np.array([month, month + 1], dtype="M8[M]").astype("M8[ms]").astype(int)
    return int(edges[0]), int(edges[1])


def name_of(table: str, month: int) -> str:
    """Return the name of a month's partition, as in ``reading_2026_03``."""
    return f"{table}_{1970 + month // 12}_{month % 12 + 1:02d}"


def ensure(engine: Engine, table: str, months: Months) -> None:
    """
    See that partitions are there for all of these months.

    They are made on a connection of their own and committed at once: whoever asked may hold locks on rows
    that another one who makes months wants, and an empty month too many harms nobody.
    """
    if not _known.missing(engine, table, months):
        return
    with _known.creating:
        missing = _known.missing(engine, table, months)
        with engine.begin() as connection:
            if missing - months_held(connection, table):
                connection.execute(
                    text("SELECT pg_advisory_xact_lock(hashtextextended(:name, 0))"),
                    {"name": f"months of {table}"},
                )
                make_months(connection, table, missing - months_held(connection, table))
        _known.note(engine, table, missing)


def months_held(connection: Connection, table: str) -> Months:
    """Return the months a table has partitions for."""
    names = connection.scalars(
        text(
            "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
            " WHERE i.inhparent = to_regclass(:name)"
        ),
        {"name": table},
    )
    return {(int(name[-7:-3]) - 1970) * 12 + int(name[-2:]) - 1 for name in names}


def make_months(connection: Connection, table: str, months: Iterable[int]) -> None:
    """Make the partitions of months that have none."""
    for month in sorted(months):
        first_ms, end_ms = bounds_ms(month)
        name = name_of(table, month)
        connection.execute(text(f"CREATE TABLE {name} (LIKE {table} INCLUDING ALL)"))
        connection.execute(
            text(f"ALTER TABLE {table} ATTACH PARTITION {name} FOR VALUES FROM ({first_ms}) TO ({end_ms})")
        )


def drop_months(connection: Connection, table: str, before_ms: int, *, unless: str) -> int:
    """
    Drop the months that end at or before an instant, with all their rows; return how many.

    A month stays while the query ``unless``, with its table's name for ``{table}``, finds anything. It waits
    for readers half a second at most, and raises OperationalError when that was not enough.
    """
    old = sorted(month for month in months_held(connection, table) if bounds_ms(month)[1] <= before_ms)
    connection.execute(text(f"SET LOCAL lock_timeout = '{DROP_WAIT_MS}ms'"))
    dropped = []
    for month in old:
        piece = name_of(table, month)
        # Nobody may add to it from here on; readers are not kept waiting while it is looked through.
        connection.execute(text(f"LOCK TABLE {piece} IN SHARE ROW EXCLUSIVE MODE"))
        if connection.execute(text(unless.format(table=piece))).first() is None:
            dropped.append(month)
    for month in dropped:
        connection.execute(text(f"DROP TABLE {name_of(table, month)}"))
    _known.forget(connection.engine, table, dropped)
    return len(dropped)


def partition_names(connection: Connection) -> set[str]:
    """Return the names of all tables that are pieces of another one; none on SQLite."""
    if connection.dialect.name == "sqlite":
        return set()
    return set(connection.scalars(text("SELECT relname FROM pg_class WHERE relispartition")))


def split_by_month(connection: Connection, table: str, column: str) -> None:
    """
    Turn a plain table and its rows into one of monthly partitions; for migrations on PostgreSQL.

    Its foreign keys are not taken over. A table that is partitioned already is left alone.
    """
    if _kind(connection, table) == "p":
        return
    whole, key = _set_aside(connection, table)
    connection.execute(
        text(f"CREATE TABLE {table} (LIKE {whole} INCLUDING DEFAULTS) PARTITION BY RANGE ({column})")
    )
    connection.execute(text(f"ALTER TABLE {table} ADD CONSTRAINT pk_{table} PRIMARY KEY ({key})"))
    months = connection.scalars(
        text(
            f"SELECT DISTINCT (extract(year FROM at) * 12 + extract(month FROM at))::int - {1970 * 12 + 1}"  # noqa: S608
            f" FROM (SELECT to_timestamp({column} / 1000) AT TIME ZONE 'UTC' AS at FROM {whole}) AS instants"
        )
    )
    make_months(connection, table, months.all())
    _move_rows(connection, whole, table)


def join_months(connection: Connection, table: str) -> None:
    """Turn a table of monthly partitions back into a plain one; the way back of :func:`split_by_month`."""
    if _kind(connection, table) != "p":
        return
    whole, key = _set_aside(connection, table)
    connection.execute(text(f"CREATE TABLE {table} (LIKE {whole} INCLUDING DEFAULTS)"))
    connection.execute(text(f"ALTER TABLE {table} ADD CONSTRAINT pk_{table} PRIMARY KEY ({key})"))
    _move_rows(connection, whole, table)


def _kind(connection: Connection, table: str) -> str:
    return str(
        connection.scalar(
            text("SELECT relkind::text FROM pg_class WHERE oid = to_regclass(:name)"), {"name": table}
        )
    )


def _set_aside(connection: Connection, table: str) -> tuple[str, str]:
    key = ", ".join(inspect(connection).get_pk_constraint(table)["constrained_columns"])
    whole = f"{table}_before"
    connection.execute(text(f"ALTER TABLE {table} RENAME TO {whole}"))
    connection.execute(text(f"ALTER TABLE {whole} RENAME CONSTRAINT pk_{table} TO pk_{whole}"))
    for month in months_held(connection, whole):
        connection.execute(text(f"ALTER TABLE {name_of(table, month)} RENAME TO {name_of(whole, month)}"))
    return whole, key


def _move_rows(connection: Connection, source: str, table: str) -> None:
    connection.execute(text(f"INSERT INTO {table} SELECT * FROM {source}"))  # noqa: S608 - our own tables
    connection.execute(text(f"DROP TABLE {source}"))
