"""Read CSV and JSON files into a site: all or nothing, with every fault named."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from rimekeep.access.queries import admin_of
from rimekeep.cli.output import err, out, progress
from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.imports.usecases import KINDS, Run, read_file, run_of, take_rows
from rimekeep.platform.csvfile import ImportReport, RowFault, Rows
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import is_current
from rimekeep.platform.settings import load_settings

Kind = StrEnum("Kind", {kind: kind for kind in KINDS})  # type: ignore[misc]


class _Undo(Exception):  # noqa: N818 - carries a report out of a transaction that must not commit
    def __init__(self, report: ImportReport) -> None:
        super().__init__()
        self.report = report


def run_import(
    database: Database,
    kind: str,
    data: bytes,
    *,
    site: str | None,
    encoding: str | None,
    partial: bool,
    amend: bool = False,
) -> ImportReport:
    """
    Import one file in one transaction.

    With any fault nothing is stored, unless ``partial`` asks for the good rows; what belongs together is
    stored together or not at all. With ``amend``, what is stored with other facts becomes what the file says.
    """
    run = run_of(kind, amend=amend, named="--amend")
    rows = read_file(kind, data, encoding=encoding)
    report = _run_all_or_nothing(database, kind, run, rows, site)
    if not report.faults or not partial:
        return report
    good = _good_rows(rows, report, KINDS[kind].group)
    if good is None:
        return report
    stored = _run_all_or_nothing(database, kind, run, good, site)
    stored.faults = sorted({*report.faults, *stored.faults}, key=lambda fault: (fault.line, fault.column))
    return stored


def _good_rows(rows: Rows, report: ImportReport, group: str | None) -> Rows | None:
    """Return the rows without a fault; None where it is not clear which of them belong to a bad one."""
    bad = {fault.line for fault in report.faults}
    if group is None:
        return Rows([row for row in rows.rows if row.line not in bad])
    if any(group not in cells for cells in rows.unread.values()):
        return None
    spoiled = {cells[group] for cells in rows.unread.values()}
    spoiled |= {str(row.values[group]) for row in rows.rows if row.line in bad}
    good = [row for row in rows.rows if str(row.values[group]) not in spoiled]
    return Rows(good)


def _run_all_or_nothing(
    database: Database, kind: str, run: Run, rows: Rows, site: str | None
) -> ImportReport:
    try:
        with database.transaction() as session, progress() as bar:
            task = bar.add_task(kind, total=len(rows.rows))
            report = take_rows(
                session,
                datetime.now(UTC),
                admin_of(session, site),
                rows,
                run,
                lambda done, total: bar.update(task, completed=done, total=total),
            )
            if report.faults:
                raise _Undo(report)
    except _Undo as undone:
        report = undone.report
        report.created = report.amended = 0
    return report


def import_file(
    kind: Annotated[Kind, typer.Argument(help="What the file holds.")],
    file: Annotated[Path, typer.Argument(help="The CSV or JSON file.")],
    site: Annotated[str | None, typer.Option(help="Code of the site; needed when there are several.")] = None,
    encoding: Annotated[
        str | None, typer.Option(help="Only for files in neither UTF-8 nor marked UTF-16, such as cp1252.")
    ] = None,
    partial: Annotated[bool, typer.Option(help="Store the good rows even if others are bad.")] = False,
    amend: Annotated[
        bool, typer.Option(help="Change what is stored with other facts to what the file says.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Read a CSV or JSON file into the database; with any fault nothing is stored. Safe to run twice."""
    try:
        data = file.read_bytes()
    except OSError as error:
        raise invalid("FILE", f"{file}: {error.strerror}.", "Give the path of a CSV or JSON file.") from None
    database = Database(load_settings())
    try:
        if not is_current(database.engine):
            raise Invalid(
                "migration-needed",
                "The database has no tables of this version.",
                (
                    Fault(
                        "database",
                        "It was never set up or is older.",
                        "Run `rimekeep db upgrade`, then `serve` once.",
                    ),
                ),
            )
        report = run_import(
            database, kind.value, data, site=site, encoding=encoding, partial=partial, amend=amend
        )
    finally:
        database.dispose()
    _show(report, as_json)
    if report.faults:
        raise typer.Exit(2)


def _show(report: ImportReport, as_json: bool) -> None:
    if as_json:
        print(json.dumps(asdict(report)))
        return
    if report.faults:
        err.print(_fault_table(report.faults))
        err.print(f"{len(report.faults)} faults.", style="bold red")
    is_idle = not (report.created or report.amended)
    stored = "Nothing was stored." if report.faults and is_idle else ""
    amended = f"{report.amended} amended, " if report.amended else ""
    out.print(
        f"{report.kind}: {report.rows} rows read, {report.created} new, {amended}"
        f"{report.unchanged} already there. {stored}".strip()
    )


def _fault_table(faults: list[RowFault]) -> Table:
    table = Table("line", "column", "what is wrong", "what would be right")
    for fault in faults:
        table.add_row(str(fault.line), fault.column, fault.detail, fault.mend)
    return table
