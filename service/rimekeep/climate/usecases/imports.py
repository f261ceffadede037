"""Sensors and readings from CSV files."""

from collections.abc import Callable
from datetime import datetime
from typing import cast

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.climate.core.batch import Said, Word
from rimekeep.climate.core.readings import to_celsius
from rimekeep.climate.tables import Sensor
from rimekeep.climate.usecases.readings import take_readings
from rimekeep.climate.usecases.sensors import register_sensor
from rimekeep.errors import Invalid
from rimekeep.platform.csvfile import Column, ImportReport, Row, Rows, count, decimal, instant, text
from rimekeep.stock import queries as stock
from rimekeep.wording import say

SENSOR_COLUMNS = (
    Column("code", text),
    Column("zone", text),
    Column("interval_s", count),
    Column("error_c", decimal, is_required=False, default=0.5),
    Column("rank", count, is_required=False, default=1),
)
UNITS = {"temp_c": "Cel", "temp_f": "F", "temp_k": "K"}
READING_COLUMNS = (
    Column("sensor", text),
    Column("at", instant),
    *(Column(name, decimal, is_required=False) for name in UNITS),
)
AT_ONCE = 5_000
CSV_NAME = {"sensor": "sensor", "at": "at"}
Progress = Callable[[int, int], None]


def import_sensors(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Register the sensors of a file; those already there as written are left alone."""
    report = ImportReport("sensors", rows=len(rows.rows), faults=list(rows.faults))
    zones = {zone.code: zone.id for zone in stock.zones(session, caller.site_id)}
    known = {
        row.code: row for row in session.scalars(select(Sensor).where(col(Sensor.site_id) == caller.site_id))
    }
    for done, row in enumerate(rows.rows, 1):
        zone_id = zones.get(str(row.values["zone"]))
        held = known.get(str(row.values["code"]))
        if zone_id is None:
            report.fault(
                row,
                "zone",
                say("there is no zone {values!r}.", values=row.values["zone"]),
                say("Import the zones first."),
            )
        elif held is not None:
            _compare(report, row, held, zone_id)
        else:
            try:
                added = register_sensor(
                    session,
                    now,
                    caller,
                    code=str(row.values["code"]),
                    zone_id=zone_id,
                    interval_s=cast(int, row.values["interval_s"]),
                    error_c=cast(float, row.values["error_c"]),
                    rank=cast(int, row.values["rank"]),
                )
            except Invalid as error:
                for fault in error.faults:
                    report.fault(row, fault.field, fault.detail, fault.mend)
            else:
                known[added.code] = added
                report.created += 1
        progress(done, len(rows.rows))
    return report


def _compare(report: ImportReport, row: Row, held: Sensor, zone_id: int) -> None:
    written = {**row.values, "zone_id": zone_id}
    differing = [
        (column, getattr(held, attribute))
        for column, attribute in (
            ("zone", "zone_id"),
            ("interval_s", "interval_s"),
            ("error_c", "error_c"),
            ("rank", "rank"),
        )
        if getattr(held, attribute) != written[attribute]
    ]
    if not differing:
        report.unchanged += 1
    for column, stored in differing:
        said = say("another zone") if column == "zone" else say("{stored}", stored=stored)
        report.fault(
            row,
            column,
            say("sensor {code} is held with {said}.", code=held.code, said=said),
            say("A sensor is not changed by an import: register the moved or new one under a new code."),
        )


def import_readings(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Store the readings of a file; exactly one of temp_c, temp_f and temp_k stands in each line."""
    report = ImportReport("readings", rows=len(rows.rows), faults=list(rows.faults))
    for start in range(0, len(rows.rows), AT_ONCE):
        said: list[tuple[Row, Said]] = []
        for row in rows.rows[start : start + AT_ONCE]:
            temp_c = _celsius(report, row)
            if temp_c is not None:
                said.append((row, (str(row.values["sensor"]), cast(datetime, row.values["at"]), temp_c)))
        outcomes = take_readings(session, now, caller.site_id, [reading for _, reading in said])
        for (row, _), outcome in zip(said, outcomes, strict=True):
            if outcome.is_refused or outcome.word is Word.QUARANTINED:
                report.fault(row, CSV_NAME.get(outcome.field, _column(row)), outcome.detail, outcome.mend)
            elif outcome.word is Word.STORED:
                report.created += 1
            else:
                report.unchanged += 1
        progress(min(start + AT_ONCE, len(rows.rows)), len(rows.rows))
    return report


def _column(row: Row) -> str:
    return next(name for name in UNITS if row.values[name] is not None)


def _celsius(report: ImportReport, row: Row) -> float | None:
    given = [name for name in UNITS if row.values[name] is not None]
    if len(given) != 1:
        report.fault(
            row,
            given[1] if given else "temp_c",
            (say("the line has two temperatures.") if given else say("the line has no temperature.")),
            say("Fill exactly one of temp_c, temp_f and temp_k."),
        )
        return None
    return to_celsius(cast(float, row.values[given[0]]), UNITS[given[0]])
