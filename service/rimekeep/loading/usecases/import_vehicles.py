"""The fleet from files."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Invalid
from rimekeep.loading import queries
from rimekeep.loading.core.day import checked_truck
from rimekeep.loading.core.vehicle_row import (
    NUMBER_COLUMNS,
    SWITCH_COLUMNS,
    TEXT_COLUMNS,
    column_of,
    truck_of_row,
)
from rimekeep.loading.usecases.vehicles import register_vehicle
from rimekeep.platform.csvfile import (
    CellError,
    Column,
    Dialect,
    ImportReport,
    Rows,
    code,
    decimal,
    name,
    repeated,
    text,
    yes_no,
)
from rimekeep.stock.queries import zones
from rimekeep.wording import say

COLDEST_C, WARMEST_C = -40.0, 60.0
_MEND = say("Write the same, or take the old vehicle out of use and give the new one another code.")


def _celsius(cell: str, dialect: Dialect) -> float:
    read = decimal(cell, dialect)
    if not COLDEST_C <= read <= WARMEST_C:
        raise CellError(
            say("{cell!r} °C is no load space's temperature.", cell=cell), say("Give degrees Celsius.")
        )
    return read


VEHICLE_COLUMNS = (
    Column("code", code),
    Column("name", name),
    Column("planned_c", _celsius, is_required=False, default=4.0),
    *(Column(one, text, is_required=False) for one in TEXT_COLUMNS),
    *(Column(one, decimal, is_required=False) for one in NUMBER_COLUMNS),
    *(Column(one, yes_no, is_required=False) for one in SWITCH_COLUMNS),
)


def import_vehicles(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Callable[[int, int], None]
) -> ImportReport:
    """Register the vehicles of a file, all or none; those that are there already must be the same."""
    report = ImportReport("vehicles", len(rows.rows), faults=list(rows.faults))
    for row, first in repeated(rows.rows, "code"):
        report.fault(
            row, "code", say("the same stands in line {first}.", first=first), say("Remove one of the two.")
        )
    stored = {one.code: one for one in queries.all_vehicles(session, caller.site_id)}
    rooms = {zone.code: zone for zone in zones(session, caller.site_id)}
    new: list[dict[str, Any]] = []
    for done, row in enumerate(rows.rows, 1):
        facts: dict[str, Any] = {key: row.values[key] for key in ("code", "name", "planned_c")}
        try:
            truck = checked_truck(truck_of_row(row.values))
        except Invalid as error:
            for fault in error.faults:
                report.fault(row, column_of(fault.field), fault.detail, fault.mend)
            continue
        finally:
            progress(done, len(rows.rows))
        old = stored.get(str(facts["code"]))
        if old is None and facts["code"] in rooms:
            report.fault(
                row, "code", say("a room of the store has this code."), say("Give the vehicle its own.")
            )
        elif old is None:
            new.append({**facts, "truck": truck})
        else:
            said = {"name": facts["name"], "truck": truck}
            held = {"name": old.name, "truck": old.truck}
            for key in (key for key in said if said[key] != held[key]):
                column = "code" if key == "truck" else key
                report.fault(
                    row,
                    column,
                    say("vehicle {code} is stored otherwise ({key}).", code=old.code, key=key),
                    _MEND,
                )
            report.unchanged += said == held
    if report.faults:
        return report
    for facts in new:
        register_vehicle(session, now, caller, **facts)
    report.created = len(new)
    return report
