"""What imports of customers and orders share: repeats in the file, and what the file says otherwise."""

from collections.abc import Callable, Mapping
from datetime import date, time
from typing import Any

from rimekeep.platform.csvfile import ImportReport, Row, Rows, repeated
from rimekeep.wording import say

Progress = Callable[[int, int], None]
# What stands in the ledger as the reason of a change by file.
BY_FILE = "changed by an imported file"
AMEND_MEND = say("Write the same, or import with --amend to change what is stored.")


def begin(kind: str, rows: Rows, *key: str) -> ImportReport:
    """Return the report of an import that has done nothing yet; rows that stand twice are faults."""
    report = ImportReport(kind, len(rows.rows), faults=list(rows.faults))
    for row, first in repeated(rows.rows, *key):
        report.fault(
            row, key[-1], say("the same stands in line {first}.", first=first), say("Remove one of the two.")
        )
    return report


def differing(stored: object, said: Mapping[str, Any]) -> list[str]:
    """Return the names under which something else is stored."""
    return [name for name, value in said.items() if getattr(stored, name) != value]


def tell_differing(
    report: ImportReport, row: Row, what: str, stored: object, said: Mapping[str, Any], names: list[str]
) -> None:
    """Note every cell that contradicts what is stored."""
    for name in names:
        detail = say(
            "{what} is stored with {shown}, the file says {shown_said}.",
            what=what,
            shown=shown(getattr(stored, name)),
            shown_said=shown(said[name]),
        )
        report.fault(row, name, detail, AMEND_MEND)


def shown(value: object) -> str:
    """Return a value in the words of a file."""
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    return value.isoformat() if isinstance(value, date) else str(value)
