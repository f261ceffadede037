"""What every import of stock shares: finding what is stored, and naming where the file differs."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.platform.csvfile import ImportReport, Row, Rows, repeated
from rimekeep.wording import say

Progress = Callable[[int, int], None]
# Keys in one statement: well below what either database takes as bound values.
CHUNK = 10_000
STEP = 1000


def begin(kind: str, rows: Rows) -> ImportReport:
    """Return the report of an import that has not done anything yet."""
    return ImportReport(kind, rows=len(rows.rows), faults=list(rows.faults))


def refuse_repeats(report: ImportReport, rows: Sequence[Row], *names: str) -> None:
    """Note rows whose key stands in the file twice."""
    for row, first in repeated(rows, *names):
        key = ", ".join(str(row.values[name]) for name in names)
        report.fault(
            row,
            names[-1],
            say("{key} stands in line {first} already.", key=key, first=first),
            say("Keep one of the two lines."),
        )


def stored_by(session: Session, table: Any, site_id: int, column: Any, keys: Iterable[Any]) -> dict[Any, Any]:
    """Return the site's rows of ``table`` whose ``column`` is one of ``keys``, by that key."""
    wanted = sorted(set(keys))
    found: dict[Any, Any] = {}
    for start in range(0, len(wanted), CHUNK):
        some = wanted[start : start + CHUNK]
        rows = session.scalars(select(table).where(col(table.site_id) == site_id, column.in_(some)))
        found |= {getattr(row, column.key): row for row in rows}
    return found


def is_same(
    report: ImportReport, row: Row, what: str, given: Mapping[str, Any], stored: Mapping[str, Any]
) -> bool:
    """Tell whether the file says what is stored; note every column in which it does not."""
    differing = [name for name in given if given[name] != stored[name]]
    for name in differing:
        report.fault(
            row,
            name,
            say(
                "{shown} differs from {shown_stored}, which is stored for {what}.",
                shown=_shown(given[name]),
                shown_stored=_shown(stored[name]),
                what=what,
            ),
            say("Correct the file: an import adds what is new and changes nothing that is there."),
        )
    return not differing


def _shown(value: object) -> str:
    if value is None:
        return "an empty cell"
    return value.isoformat() if isinstance(value, (date, datetime)) else str(value)


def insert_all(session: Session, table: type[SQLModel], rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Insert rows; return their ids in the same order."""
    ids: list[int] = []
    for start in range(0, len(rows), CHUNK):
        statement = insert(table).returning(col(table.id), sort_by_parameter_order=True)  # type: ignore[attr-defined]
        ids += session.scalars(statement, list(rows[start : start + CHUNK]))
    return ids


def stepped(rows: Sequence[Row], progress: Progress) -> Iterable[Row]:
    """Yield the rows and tell how far we are."""
    for place, row in enumerate(rows):
        if place % STEP == 0:
            progress(place, len(rows))
        yield row
    progress(len(rows), len(rows))
