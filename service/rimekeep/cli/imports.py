"""Read CSV files into a site: all or nothing, with every fault named."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from rimekeep.access.queries import admin_of
from rimekeep.cli.kinds import KINDS
from rimekeep.cli.output import err, out, progress
from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.platform.csvfile import ImportReport, RowFault, Rows, read_rows
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import is_current
from rimekeep.platform.settings import load_settings

Kind = StrEnum("Kind", {kind: kind for kind in KINDS})  # type: ignore[misc]


class _Undo(Exception):  # noqa: N818 - carries a report out of a transaction that must not commit
    def __init__(self, report: ImportReport) -> None:
        super().__init__()
        self.report = report


def run_import(
    database: Database, kind: str, data: bytes, *, site: str | None, encoding: str | None, partial: bool
) -> ImportReport:
    """
    Import one file in one transaction.

    With any fault nothing is stored, unless ``partial`` asks for the good rows.
    """
    rows = read_rows(data, KINDS[kind].columns, encoding=encoding)
    report = _run_all_or_nothing(database, kind, rows, site)
    if not report.faults or not partial:
        return report
    bad = {fault.line for fault in report.faults}
    good = Rows([row for row in rows.rows if row.line not in bad])
    stored = _run_all_or_nothing(database, kind, good, site)
    stored.faults = sorted({*report.faults, *stored.faults}, key=lambda fault: (fault.line, fault.column))
    return stored


def _run_all_or_nothing(database: Database, kind: str, rows: Rows, site: str | None) -> ImportReport:
    importer = KINDS[kind]
    try:
        with database.transaction() as session, progress() as bar:
            task = bar.add_task(kind, total=len(rows.rows))
            report = importer.run(
                session,
                datetime.now(UTC),
                admin_of(session, site),
                rows,
                lambda done, total: bar.update(task, completed=done, total=total),
            )
            report.faults = sorted(
                {*rows.faults, *report.faults}, key=lambda fault: (fault.line, fault.column)
            )
            if report.faults:
                raise _Undo(report)
    except _Undo as undone:
        report = undone.report
        report.created = 0
    return report


def import_file(
    kind: Annotated[Kind, typer.Argument(help="What the file holds.")],
    file: Annotated[Path, typer.Argument(help="The CSV file.")],
    site: Annotated[str | None, typer.Option(help="Code of the site; needed when there are several.")] = None,
    encoding: Annotated[
        str | None, typer.Option(help="Only for files in neither UTF-8 nor marked UTF-16, such as cp1252.")
    ] = None,
    partial: Annotated[bool, typer.Option(help="Store the good rows even if others are bad.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Read a CSV file into the database; with any fault nothing is stored. Safe to run twice."""
    try:
        data = file.read_bytes()
    except OSError as error:
        raise invalid("FILE", f"{file}: {error.strerror}.", "Give the path of a CSV file.") from None
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
        report = run_import(database, kind.value, data, site=site, encoding=encoding, partial=partial)
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
    stored = "Nothing was stored." if report.faults and not report.created else ""
    out.print(
        f"{report.kind}: {report.rows} rows read, {report.created} new, "
        f"{report.unchanged} already there. {stored}".strip()
    )


def _fault_table(faults: list[RowFault]) -> Table:
    table = Table("line", "column", "what is wrong", "what would be right")
    for fault in faults:
        table.add_row(str(fault.line), fault.column, fault.detail, fault.mend)
    return table
