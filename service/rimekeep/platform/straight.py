"""
The small statements every request runs, straight on the driver.

A statement is written with SQLAlchemy and compiled once. To run it through SQLAlchemy each time costs several
times what the database needs for it, and a batch of readings takes eight of them. PostgreSQL keeps them
prepared, and gets many that go together in one round trip.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import psycopg
from sqlalchemy import (
    ARRAY,
    BindParameter,
    ColumnElement,
    Connection,
    Dialect,
    Executable,
    Float,
    Table,
    bindparam,
)
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.types import TypeEngine

Row = tuple[Any, ...]
Values = Mapping[str, Any]
Process = Callable[[Any], Any]
_OWN = "drivers own"
# For fewer statements a pipeline takes the driver longer than the round trips it saves.
WORTH_A_PIPELINE = 3


class Among(ColumnElement[bool]):
    """``column IN`` a list that travels as one value, so that the statement is the same for every length."""

    inherit_cache = False

    def __init__(self, column: ColumnElement[Any], name: str) -> None:
        """Ask for the list as the parameter ``name``."""
        self.column: ColumnElement[Any] = column
        self.listed: BindParameter[Any] = bindparam(name, type_=ARRAY(column.type))


@compiles(Among, "sqlite")
def _among_sqlite(element: Among, compiler: SQLCompiler, **_: Any) -> str:
    column, listed = compiler.process(element.column), compiler.process(element.listed)
    return f"{column} IN (SELECT value FROM json_each({listed}))"


@compiles(Among, "postgresql")
def _among_postgresql(element: Among, compiler: SQLCompiler, **_: Any) -> str:
    return f"{compiler.process(element.column)} = ANY({compiler.process(element.listed)})"


class Statement(Protocol):
    """What :func:`ask` can run."""

    def run(self, driver: Any, dialect: Dialect, values: Any) -> Any:
        """Run it; return the driver's cursor."""

    def read(self, dialect: Dialect, cursor: Any) -> list[Row]:
        """Return the rows it found."""


@dataclass(frozen=True, slots=True)
class _Compiled:
    text: str
    # In the order of the marks; None where they are named.
    names: tuple[str, ...] | None
    # What the statement itself says.
    fixed: dict[str, Any]
    binds: tuple[tuple[str, Process], ...]
    results: tuple[tuple[int, Process], ...]
    finds_rows: bool


class Prepared:
    """A statement compiled once for each kind of database."""

    def __init__(self, statement: Executable) -> None:
        """Compile nothing yet."""
        self._statement = statement
        self._compiled: dict[str, _Compiled] = {}

    def run(self, driver: Any, dialect: Dialect, values: Values) -> Any:
        """Run it with ``values`` by name; return the driver's cursor."""
        found = self._for(dialect)
        bound = {**found.fixed, **values}
        for name, process in found.binds:
            bound[name] = process(bound[name])
        if found.names is None:
            return driver.execute(found.text, bound, prepare=True)
        return driver.execute(found.text, [bound[name] for name in found.names])

    def read(self, dialect: Dialect, cursor: Any) -> list[Row]:
        """Return the rows it found, their values as SQLAlchemy would have them."""
        found = self._for(dialect)
        # Not by the cursor's description: psycopg makes an object a column for it, each time.
        if not found.finds_rows:
            return []
        rows: list[Row] = cursor.fetchall()
        results = found.results
        return [_processed(row, results) for row in rows] if results else rows

    def _for(self, dialect: Dialect) -> _Compiled:
        found = self._compiled.get(dialect.name)
        if found is None:
            found = self._compiled[dialect.name] = self._compile(dialect)
        return found

    def _compile(self, dialect: Dialect) -> _Compiled:
        compiler: Any = self._statement.compile(dialect=dialect)  # type: ignore[attr-defined]
        parameters: dict[str, BindParameter[Any]] = compiler.binds
        binds = {name: _binder(one, dialect) for name, one in parameters.items()}
        columns = getattr(self._statement, "selected_columns", ())
        results = [_reader(one.type, dialect) for one in columns]
        return _Compiled(
            str(compiler),
            tuple(compiler.positiontup) if compiler.positional else None,
            {name: one.effective_value for name, one in parameters.items() if not one.required},
            tuple((name, process) for name, process in binds.items() if process is not None),
            tuple((place, process) for place, process in enumerate(results) if process is not None),
            len(self._statement.exported_columns) > 0,  # type: ignore[attr-defined]
        )


class Rows:
    """
    Rows of plain values: added, or changed where their key, which is named first, is.

    Its values are the rows, one tuple each; at least one.
    """

    def __init__(self, table: Table, names: Sequence[str], *, is_change: bool = False) -> None:
        """Write these columns of ``table``."""
        self._table, self._names, self._is_change = table, tuple(names), is_change

    def run(self, driver: Any, dialect: Dialect, values: Sequence[Row]) -> Any:
        """Write the rows at once."""
        text = _rows_statement(self._table, self._names, self._is_change, dialect.name == "sqlite")
        if dialect.name == "sqlite":
            return driver.executemany(text, values)
        return driver.execute(text, [list(column) for column in zip(*values, strict=True)])

    def read(self, dialect: Dialect, cursor: Any) -> list[Row]:
        """Return nothing: rows were written."""
        return []


def ask(session: Session, statement: Statement, values: Any) -> list[Row]:
    """Run a statement; return its rows."""
    return ask_all(session, [(statement, values)])[0]


def ask_all(session: Session, questions: Sequence[tuple[Statement, Any]]) -> list[list[Row]]:
    """
    Run statements one after the other, each seeing what those before it did; return the rows of each.

    When one fails, those after it are not run, and the error is SQLAlchemy's own.
    """
    connection, driver = _drivers_own(session)
    dialect = connection.dialect
    with _errors_of(connection):
        if len(questions) < WORTH_A_PIPELINE or dialect.name == "sqlite":
            return [one.read(dialect, one.run(driver, dialect, values)) for one, values in questions]
        with driver.pipeline():
            cursors = [one.run(driver, dialect, values) for one, values in questions]
        return [one.read(dialect, cursor) for (one, _), cursor in zip(questions, cursors, strict=True)]


def end_reading(session: Session) -> None:
    """
    End a transaction that has only read.

    On PostgreSQL by a commit: after a rollback the driver forgets what it has prepared on the connection, and
    to plan a statement of a dozen tables takes many times what running it does.
    """
    if session.in_transaction() and session.get_bind().dialect.name != "sqlite":
        connection, driver = _drivers_own(session)
        with _errors_of(connection):
            driver.commit()


def _drivers_own(session: Session) -> tuple[Connection, Any]:
    """Return the session's connection and the driver's, looked for once a transaction."""
    found: tuple[object, Connection, Any] | None = session.info.get(_OWN)
    if found is None or found[0] is not session.get_transaction():
        connection = session.connection()
        found = session.get_transaction(), connection, connection.connection.driver_connection
        session.info[_OWN] = found
    return found[1:]


@contextmanager
def _errors_of(connection: Connection) -> Iterator[None]:
    """Raise the driver's errors as SQLAlchemy would."""
    try:
        yield
    except (sqlite3.Error, psycopg.Error) as error:
        dialect = connection.dialect
        if dialect.is_disconnect(error, connection.connection.dbapi_connection, None):  # type: ignore[arg-type]
            connection.invalidate(error)
        raise DBAPIError.instance(None, None, error, Exception, dialect=dialect) from error


def _processed(row: Row, results: Sequence[tuple[int, Process]]) -> Row:
    cells = list(row)
    for place, process in results:
        cells[place] = process(cells[place])
    return tuple(cells)


def _reader(kind: TypeEngine[Any], dialect: Dialect) -> Process | None:
    # Doubles come as doubles from both drivers.
    return None if isinstance(kind, Float) else kind.dialect_impl(dialect).result_processor(dialect, None)


def _binder(one: BindParameter[Any], dialect: Dialect) -> Process | None:
    if isinstance(one.type, ARRAY) and dialect.name == "sqlite":
        return json.dumps
    return one.type.dialect_impl(dialect).bind_processor(dialect)


@lru_cache(maxsize=64)
def _rows_statement(table: Table, names: tuple[str, ...], is_change: bool, for_sqlite: bool) -> str:
    # ruff: noqa: S608 - the names are our own
    key, *changed = names
    listed = ", ".join(names)
    if for_sqlite:
        if is_change:
            marks = ", ".join(f"{name} = ?{place}" for place, name in enumerate(changed, 2))
            return f"UPDATE {table.name} SET {marks} WHERE {key} = ?1"
        return f"INSERT INTO {table.name} ({listed}) VALUES ({', '.join('?' * len(names))})"
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    kinds = ", ".join(f"%s::{table.c[name].type.compile(dialect)}[]" for name in names)
    if is_change:
        marks = ", ".join(f"{name} = new.{name}" for name in changed)
        return (
            f"UPDATE {table.name} SET {marks} FROM unnest({kinds}) AS new ({listed})"
            f" WHERE {table.name}.{key} = new.{key}"
        )
    return f"INSERT INTO {table.name} ({listed}) SELECT * FROM unnest({kinds})"
