"""What is told of a file that is to be imported."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from pydantic import Field

from rimekeep.platform.csvfile import Column, ImportReport, Rows
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import View

# So many rows show whether columns were read as meant.
FIRST = 10


class ColumnOut(View):
    """A column such a file has."""

    name: str
    is_required: bool
    is_there: bool = Field(description="It stands in this file.")


class RowOut(View):
    """A row as it was read."""

    line: int = Field(description="The line it begins on; the heading is line 1.")
    values: dict[str, str | None] = Field(
        description="By column: what was read, instants in UTC; null: nothing is said."
    )


class RowFaultOut(View):
    """A cell that is wrong."""

    line: int
    column: str = Field(description="Empty: the line as a whole.")
    detail: Worded
    mend: Worded


class ImportOut(View):
    """What an import stored, or would store."""

    kind: str
    is_stored: bool
    rows: int = Field(description="Rows of the file.")
    good_rows: int = Field(description="Rows without a fault.")
    created: int = Field(description="Rows that are new.")
    amended: int = Field(description="Rows that change what is stored.")
    unchanged: int = Field(description="Rows that are there already.")
    columns: list[ColumnOut]
    first_rows: list[RowOut]
    faults: list[RowFaultOut] = Field(description="With any, nothing is stored.")


def told(
    kind: str, columns: Sequence[Column], rows: Rows, report: ImportReport, *, is_stored: bool
) -> ImportOut:
    """Return what is told of a file and of what became of it."""
    there = {name for row in rows.rows[:1] for name in row.told}
    there |= {name for cells in rows.unread.values() for name in cells}
    bad = {fault.line for fault in report.faults}
    is_good = not report.faults
    return ImportOut(
        kind=kind,
        is_stored=is_stored,
        rows=len(rows.rows) + len(rows.unread),
        good_rows=sum(row.line not in bad for row in rows.rows),
        created=report.created if is_good else 0,
        amended=report.amended if is_good else 0,
        unchanged=report.unchanged if is_good else 0,
        columns=[
            ColumnOut(name=one.name, is_required=one.is_required, is_there=one.name in there)
            for one in columns
        ],
        first_rows=[
            RowOut(line=row.line, values={name: _shown(value) for name, value in row.values.items()})
            for row in rows.rows[:FIRST]
        ],
        faults=[RowFaultOut.model_validate(fault) for fault in report.faults],
    )


def _shown(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value).removesuffix(".0") if isinstance(value, float) else str(value)
