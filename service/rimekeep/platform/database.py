"""
The seam to the database: engine, transactions, and whatever differs between SQLite and PostgreSQL.

One request or job is one transaction. :meth:`Database.transaction` holds the only commit of the service.
"""

import json
import re
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from time import monotonic
from typing import Any, TypeVar

import psycopg
from sqlalchemy import (
    ARRAY,
    BigInteger,
    Engine,
    Select,
    Table,
    column,
    create_engine,
    event,
    func,
    insert,
    literal,
    select,
    text,
)
from sqlalchemy.dialects.postgresql import insert as postgresql_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.exc import DBAPIError, InvalidatePoolError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.orm import Session, SessionTransaction
from sqlalchemy.pool import ConnectionPoolEntry

from rimekeep.platform import audit, journal, numbers, partitions, straight
from rimekeep.platform.courses import Ask as Ask
from rimekeep.platform.courses import Floats, read_courses
from rimekeep.platform.courses import Shelf as Shelf
from rimekeep.platform.numbers import Column
from rimekeep.platform.settings import Settings
from rimekeep.platform.straight import Rows, ask
from rimekeep.platform.together import Together
from rimekeep.platform.turns import WriterTurns

# How long whoever wants to write waits for those who do.
WAIT_S = 15
# A connection at rest for longer is asked whether it is still there before it is used.
ASK_AFTER_REST_S = 1.0
# SQLite takes 32,766 bound values a statement; stay clear of it whatever the row's width.
SQLITE_MAX_VALUES = 30_000
KEYS_AT_ONCE = 10_000
Key = TypeVar("Key", int, str, tuple[int, int], tuple[int, int, int])
Result = TypeVar("Result")
# A statement and the columns it is listed and paged by.
Listing = tuple[Select[Any], list[Any]]


def make_engine(settings: Settings) -> Engine:
    """Return an engine with the dialect's settings for a service that many clients use at once."""
    if settings.is_sqlite:
        if settings.sqlite_file is not None:
            settings.sqlite_file.parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(
            settings.database_url, pool_size=40, connect_args={"check_same_thread": False, "timeout": WAIT_S}
        )
        event.listen(engine, "connect", _configure_sqlite)
        WriterTurns(engine, WAIT_S)
        return engine
    engine = create_engine(
        settings.database_url,
        pool_size=20,
        max_overflow=20,
        connect_args={"options": f"-c timezone=UTC -c lock_timeout={WAIT_S}s", "connect_timeout": 5},
    )
    event.listen(engine, "checkin", _note_rest)
    event.listen(engine, "checkout", _wake)
    return engine


def _note_rest(_connection: object, record: ConnectionPoolEntry) -> None:
    record.info["resting_since"] = monotonic()


def _wake(connection: psycopg.Connection, record: ConnectionPoolEntry, _used: object) -> None:
    """
    See that a connection that has rested is still there, or have the pool make new ones.

    One in use all the time shows by itself when it is gone, and asking takes a trip to the server each time.
    Ended by a commit: after a rollback the driver forgets every statement it has prepared.
    """
    if monotonic() - record.info.get("resting_since", float("inf")) < ASK_AFTER_REST_S:
        return
    try:
        connection.execute("SELECT 1")
        connection.commit()
    except psycopg.Error as gone:
        raise InvalidatePoolError from gone


def _configure_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own transaction handling starts transactions too late for BEGIN IMMEDIATE.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode = WAL",
        # An answered request must survive a power cut, so every commit reaches the disk.
        "synchronous = FULL",
        "foreign_keys = ON",
        f"busy_timeout = {WAIT_S * 1000}",
        "cache_size = -65536",
        "temp_store = MEMORY",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


_KEPT = "kept"


class AuditedSession(Session):
    """A session whose changes are gathered for the audit trail."""


event.listen(AuditedSession, "after_flush", audit.gather)


class Database:
    """An engine and its transactions."""

    def __init__(self, settings: Settings) -> None:
        """Open nothing yet; connections are made on first use."""
        self.settings = settings
        self.engine = make_engine(settings)
        # The same connections, whose transactions take no write lock.
        self._reading = self.engine.execution_options(readonly=True)
        self._together = Together(self.transaction, is_away)

    def open(self, *, readonly: bool = False) -> Session:
        """Return a session; its transaction begins with its first statement."""
        if readonly:
            return Session(self._reading, expire_on_commit=False, autoflush=True)
        return AuditedSession(self.engine, expire_on_commit=False, autoflush=True)

    def finish(self, session: Session) -> None:
        """Commit what was written and close; what a session that only reads wrote would be dropped."""
        try:
            if session.bind is self._reading:
                straight.end_reading(session)
            else:
                session.flush()
                session.info.pop(_KEPT, None)
                audit.write(session)
                journal.seal(session)
                session.commit()
        except BaseException:
            self.abandon(session)
            raise
        session.close()

    def abandon(self, session: Session) -> None:
        """Undo everything but what was to be kept even so, and close."""
        kept: SessionTransaction | None = session.info.pop(_KEPT, None)
        audit.forget(session)
        journal.forget(session)
        try:
            if kept is not None:
                kept.rollback()
                session.commit()
            else:
                session.rollback()
        finally:
            session.close()

    @contextmanager
    def transaction(self, *, readonly: bool = False) -> Iterator[Session]:
        """Yield a session; commit when the block ends, roll back when it raises."""
        session = self.open(readonly=readonly)
        try:
            yield session
        except BaseException:
            self.abandon(session)
            raise
        self.finish(session)

    def perform(self, work: Callable[[Session], Result]) -> Result:
        """
        Return what ``work`` makes of a session, after the commit.

        On SQLite those who wait for each other share a transaction, and ``work`` may be called twice (see
        :class:`~rimekeep.platform.together.Together`). PostgreSQL's writers need not wait.
        """
        if self.settings.is_sqlite:
            return self._together.run(work)
        with self.transaction() as session:
            return work(session)

    def dispose(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def keep_so_far(session: Session) -> None:
    """
    Keep what this transaction has written so far even if the rest of it is undone.

    Locks are held on to its end as always, so nobody comes between: tries are counted so before they are
    looked at. Only for what may stand alone; ledger and audit trail get nothing of what is kept so.
    """
    session.flush()
    before: SessionTransaction | None = session.info.get(_KEPT)
    if before is not None:
        before.commit()
    session.info[_KEPT] = session.begin_nested()


def let_go(session: Session) -> None:
    """
    End the transaction of a session that has only read so far, so that long work after it holds no lock.

    The next statement begins a new one: what was read before may have changed and must be checked again.
    """
    if session.new or session.dirty or session.deleted or session.info.get("ledger"):
        raise RuntimeError("a transaction that has written cannot be let go")
    session.rollback()


def undo(session: Session) -> None:
    """Undo what a session has done so far: its transaction ends as if nothing had been asked."""
    session.rollback()
    audit.forget(session)
    journal.forget(session)


def is_sqlite(session: Session) -> bool:
    """Tell whether ``session`` speaks to SQLite."""
    return session.get_bind().dialect.name == "sqlite"


def insert_new(session: Session, table: Table, rows: Sequence[Mapping[str, Any]]) -> int:
    """Insert ``rows``, leaving alone those whose key is already there; return how many were new."""
    stored = 0
    for chunk in _chunks(rows):
        if is_sqlite(session):
            statement: Any = sqlite_insert(table).on_conflict_do_nothing()
        else:
            statement = postgresql_insert(table).on_conflict_do_nothing()
        result = session.execute(statement.values(list(chunk)))
        stored += max(0, int(result.rowcount))  # type: ignore[attr-defined]
    return stored


def upsert(session: Session, table: Table, rows: Sequence[Mapping[str, Any]], *, keys: Sequence[str]) -> None:
    """Insert ``rows``; where ``keys`` are already there, overwrite the other columns given."""
    if not rows:
        return
    statement: Any = (sqlite_insert if is_sqlite(session) else postgresql_insert)(table)
    changed = {name: statement.excluded[name] for name in rows[0] if name not in keys}
    # Row by row through the driver's executemany: ten times as fast as one statement of many VALUES.
    session.connection().execute(
        statement.on_conflict_do_update(index_elements=list(keys), set_=changed), list(rows)
    )


def bulk_insert(session: Session, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert many rows in as few round trips as the driver allows."""
    if rows:
        session.execute(insert(table), list(rows))


def insert_numbers(session: Session, table: Table, columns: Mapping[str, Column]) -> None:
    """
    Insert rows of plain numbers, given column by column, in the fastest way the driver has.

    The keys must be new and the numbers finite; the caller has seen to both.
    """
    numbers.insert_numbers(session.connection(), table, columns)


def update_rows(
    session: Session, table: Table, names: Sequence[str], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Change columns of rows told by their key, which is named first: one round trip for all of them."""
    if rows:
        ask(session, Rows(table, names, is_change=True), rows)


def courses(
    session: Session, shelf: Shelf, owner: int, asked: Sequence[Ask], first: int, last: int
) -> list[Floats]:
    """
    Return for each key asked for its rows from ``first`` to ``last``, with the one before and the one after.

    In the order asked, each an array of shape (1 + values, n): the axis, ascending, then the values.
    """
    return read_courses(session.connection(), shelf, owner, asked, first, last)


def ensure_months(session: Session, table: Table, instants_ms: Collection[int]) -> None:
    """
    See that ``table`` can take rows of these instants: on PostgreSQL that their months have partitions.

    A process remembers the months it has seen to. The rest is done outside the session's transaction.
    """
    if instants_ms and not is_sqlite(session):
        partitions.ensure(session.connection().engine, table.name, partitions.months_of(instants_ms))


def drop_months(session: Session, table: Table, before_ms: int, *, unless: str) -> int:
    """
    Drop the months of ``table`` that end before an instant; return how many; SQLite has none to drop.

    A month stays while the query ``unless``, with the month's own table for ``{table}``, finds anything.
    Wants a transaction of its own; readers are kept waiting for half a second at most.
    """
    if is_sqlite(session):
        return 0
    return partitions.drop_months(session.connection(), table.name, before_ms, unless=unless)


def parts(keys: Collection[Key] | None) -> Iterator[list[Key]]:
    """Split keys, sorted and without repeats, into lists that one statement can bind."""
    ordered = sorted(set(keys or ()))
    for start in range(0, len(ordered), KEYS_AT_ONCE):
        yield ordered[start : start + KEYS_AT_ONCE]


def pairs(session: Session, rows: Sequence[tuple[int, int]]) -> Select[Any]:
    """
    Return many pairs of whole numbers to look a two-column key up IN.

    They travel as one or two values, so the statement is compiled once however many there are. (IN and not a
    join: SQLite would take a join the wrong way round.)
    """
    if is_sqlite(session):
        each = func.json_each(json.dumps(rows)).table_valued("value")
        return select(func.json_extract(each.c.value, "$[0]"), func.json_extract(each.c.value, "$[1]"))
    arrays = (literal([row[place] for row in rows], ARRAY(BigInteger)) for place in (0, 1))
    both = func.unnest(*arrays).table_valued(column("a", BigInteger), column("b", BigInteger), name="pairs")
    return select(both.render_derived())


def _chunks(rows: Sequence[Mapping[str, Any]]) -> Iterable[Sequence[Mapping[str, Any]]]:
    if not rows:
        return
    size = max(1, SQLITE_MAX_VALUES // len(rows[0]))
    for start in range(0, len(rows), size):
        yield rows[start : start + size]


def take_turns(session: Session, name: str) -> None:
    """
    Wait until no other transaction holds ``name``, then hold it to the end of this one.

    What is read afterwards includes all that the ones before have committed. On SQLite the write lock already
    makes writers take turns.
    """
    if not is_sqlite(session):
        session.execute(text("SELECT pg_advisory_xact_lock(hashtextextended(:name, 0))"), {"name": name})


_CONSTRAINT = re.compile(
    r"(?:constraint \"(?P<pg>\w+)\"|(?:UNIQUE|CHECK) constraint failed: (?P<lite>[\w., ]+))"
)


def constraint_in(error: BaseException) -> str:
    """Return the name (PostgreSQL) or columns (SQLite) of the constraint an IntegrityError speaks of."""
    found = _CONSTRAINT.search(str(error))
    return "" if found is None else (found["pg"] or found["lite"] or "")


# What the driver says when the rows themselves are at fault.
ROWS_AT_FAULT = (
    psycopg.IntegrityError,
    psycopg.DataError,
    psycopg.errors.RaiseException,
    sqlite3.IntegrityError,
    sqlite3.DataError,
)


def is_away(error: BaseException) -> bool:
    """
    Tell whether a failure says nothing of what was asked: the database is gone, full, locked or not set up.

    The same may succeed later; whatever else fails would fail again.
    """
    if isinstance(error, PoolTimeout):
        return True
    return isinstance(error, DBAPIError) and not isinstance(error.orig, ROWS_AT_FAULT)


def epoch_ms(at: datetime) -> int:
    """Return an instant as whole milliseconds since 1970, as readings are keyed."""
    return round(at.timestamp() * 1000)
