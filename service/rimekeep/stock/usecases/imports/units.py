"""Units from a CSV file; several lines with one SSCC are one pallet with several lots."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.platform.csvfile import Column, ImportReport, Row, Rows, code, count, decimal, instant, text
from rimekeep.platform.database import bulk_insert, parts
from rimekeep.platform.journal import record
from rimekeep.stock import queries
from rimekeep.stock.core.facts import MOST_CASES, sscc_fault, start_core_fault
from rimekeep.stock.core.states import QaState, UnitState, ZoneKind
from rimekeep.stock.tables import Bay, Lot, Product, Unit, Zone
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.imports.comparing import (
    CHUNK,
    Progress,
    begin,
    is_same,
    refuse_repeats,
    stepped,
    stored_by,
)
from rimekeep.stock.usecases.units import CLOCK_SLACK, unit_received
from rimekeep.wording import say

UNIT_COLUMNS = (
    Column("sscc", text),
    Column("lot", text),
    Column("sku", code),
    Column("cases", count),
    Column("zone", code),
    Column("bay", code, is_required=False),
    Column("received_at", instant, is_required=False),
    Column("start_core_c", decimal, is_required=False),
)
TABLES = SQLModel.metadata.tables
# What the lines of one pallet must agree in.
SHARED = ("zone", "bay", "received_at", "start_core_c")


class _Known:
    """What the file refers to, read once."""

    def __init__(self, session: Session, site_id: int, rows: list[Row]) -> None:
        self.zones = {zone.code: zone for zone in queries.zones(session, site_id)}
        bays = (row.values["bay"] for row in rows if row.values["bay"])
        self.bays: dict[str, Bay] = stored_by(session, Bay, site_id, col(Bay.code), bays)
        skus = (row.values["sku"] for row in rows)
        self.products: dict[str, Product] = stored_by(session, Product, site_id, col(Product.sku), skus)
        self.lots: dict[tuple[int, str], Lot] = {}
        for some in parts({product.id for product in self.products.values()}):
            found = session.scalars(
                select(Lot).where(col(Lot.site_id) == site_id, col(Lot.product_id).in_(some))
            )
            self.lots |= {(lot.product_id, lot.code): lot for lot in found}
        self.units: dict[str, Unit] = stored_by(
            session, Unit, site_id, col(Unit.sscc), (row.values["sscc"] for row in rows)
        )
        self.arrived: dict[int, dict[int, dict[str, Any]]] = defaultdict(dict)
        zone_codes = {zone.id: zone.code for zone in self.zones.values()}
        arrivals = queries.arrivals(session, site_id, [unit.id for unit in self.units.values()])
        bay_ids = {found.bay_id for found in arrivals if found.bay_id is not None}
        bays_by_id: dict[int, Bay] = stored_by(session, Bay, site_id, col(Bay.id), bay_ids)
        for arrival in arrivals:
            self.arrived[arrival.unit_id][arrival.lot_id] = {
                "cases": arrival.cases,
                "zone": zone_codes[arrival.zone_id],
                "bay": None if arrival.bay_id is None else bays_by_id[arrival.bay_id].code,
            }

    def lot(self, row: Row) -> Lot | None:
        """Return the lot a row names."""
        product = self.products.get(str(row.values["sku"]))
        return None if product is None else self.lots.get((product.id, str(row.values["lot"])))


def import_units(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """
    Take the units of a file into stock.

    Their cases are not added to what the lots made: the lots' file says that.
    """
    report = begin("units", rows)
    refuse_repeats(report, rows.rows, "sscc", "sku", "lot")
    known = _Known(session, caller.site_id, rows.rows)
    pallets: dict[str, list[Row]] = defaultdict(list)
    for row in stepped(rows.rows, progress):
        _check(report, row, known, now)
        pallets[str(row.values["sscc"])].append(row)
    for lines in pallets.values():
        _check_pallet(report, lines)
    if report.faults:
        return report
    new = []
    for sscc, lines in pallets.items():
        old = known.units.get(sscc)
        if old is None:
            new.append(lines)
        elif _is_stored(report, lines, old, known):
            report.unchanged += len(lines)
    if report.faults:
        return report
    _write(session, now, caller, new, known)
    report.created = sum(len(lines) for lines in new)
    return report


def _check(report: ImportReport, row: Row, known: _Known, now: datetime) -> None:
    values: dict[str, Any] = row.values
    for fault in (sscc_fault(values["sscc"]), start_core_fault(values["start_core_c"])):
        if fault:
            report.fault(row, fault.field, fault.detail, fault.mend)
    if not 1 <= values["cases"] <= MOST_CASES:
        report.fault(
            row,
            "cases",
            say("{values} cases are no pallet.", values=values["cases"]),
            say("Give 1 to {MOST_CASES}.", MOST_CASES=MOST_CASES),
        )
    lot = known.lot(row)
    if values["sku"] not in known.products:
        report.fault(
            row,
            "sku",
            say("There is no product {values!r}.", values=values["sku"]),
            say("Import the products first."),
        )
    elif lot is None:
        report.fault(
            row,
            "lot",
            say(
                "There is no lot {values!r} of {values_sku}.", values=values["lot"], values_sku=values["sku"]
            ),
            say("Import the lots first."),
        )
    _check_place(report, row, known)
    at: datetime | None = values["received_at"]
    if at is not None and at > now + CLOCK_SLACK:
        report.fault(
            row,
            "received_at",
            say("{at} is in the future.", at=at.isoformat()),
            say("Give the time it came in."),
        )
    if lot is not None and (at or now) < lot.packaged_at:
        report.fault(
            row,
            "received_at",
            say(
                "Lot {code} was packaged later, {packaged_at}.",
                code=lot.code,
                packaged_at=lot.packaged_at.isoformat(),
            ),
            say("Correct the time of arrival, or the lot's packaging time."),
        )


def _check_place(report: ImportReport, row: Row, known: _Known) -> None:
    zone = known.zones.get(str(row.values["zone"]))
    if zone is None:
        report.fault(
            row,
            "zone",
            say("There is no zone {values!r}.", values=row.values["zone"]),
            say("Import the zones first."),
        )
    elif zone.kind == ZoneKind.VEHICLE:
        report.fault(
            row,
            "zone",
            say("{code} is a vehicle's load space.", code=zone.code),
            say("Give a room of the store."),
        )
    if row.values["bay"] is None:
        return
    bay = known.bays.get(str(row.values["bay"]))
    if bay is None:
        report.fault(
            row,
            "bay",
            say("There is no bay {values!r}.", values=row.values["bay"]),
            say("Import the bays first."),
        )
    elif zone is not None and bay.zone_id != zone.id:
        report.fault(
            row,
            "bay",
            say("Bay {code} is not in zone {zone_code}.", code=bay.code, zone_code=zone.code),
            say("Give a bay of that zone."),
        )


def _check_pallet(report: ImportReport, lines: list[Row]) -> None:
    first = lines[0]
    for row in lines[1:]:
        for name in SHARED:
            if row.values[name] != first.values[name]:
                report.fault(
                    row,
                    name,
                    say("it differs from line {line}, which is of the same unit.", line=first.line),
                    say("A pallet is in one place and came once: write the same in all its lines."),
                )


def _is_stored(report: ImportReport, lines: list[Row], old: Unit, known: _Known) -> bool:
    what = say("unit {sscc}", sscc=old.sscc)
    arrived = known.arrived.get(old.id, {})
    lot_ids = set()
    all_same = True
    for row in lines:
        lot = known.lot(row)
        assert lot is not None  # checked before
        lot_ids.add(lot.id)
        if lot.id not in arrived:
            report.fault(
                row,
                "lot",
                say("Lot {code} did not come in on {what}, which is stored.", code=lot.code, what=what),
                say("Give it its own SSCC."),
            )
            all_same = False
            continue
        given = {name: row.values[name] for name in ("cases", "zone", "bay", "start_core_c")}
        if row.values["received_at"] is not None:
            given["received_at"] = row.values["received_at"]
        stored = {**arrived[lot.id], "start_core_c": old.start_core_c, "received_at": old.received_at}
        all_same &= is_same(report, row, what, given, stored)
    if arrived.keys() - lot_ids:
        report.fault(
            lines[0],
            "sscc",
            say("More lots came in on {what} than the file says.", what=what),
            say("Give all lines of a pallet."),
        )
        return False
    return all_same


def _write(session: Session, now: datetime, caller: Caller, new: list[list[Row]], known: _Known) -> None:
    units: list[dict[str, Any]] = []
    for lines in new:
        values: dict[str, Any] = lines[0].values
        zone: Zone = known.zones[values["zone"]]
        units.append(
            {
                "site_id": caller.site_id,
                "sscc": values["sscc"],
                "zone_id": zone.id,
                "bay_id": known.bays[values["bay"]].id if values["bay"] else None,
                "state": UnitState.IN_STORE,
                "qa_state": QaState.RELEASED,
                "qa_reason": "",
                "is_opened": False,
                "received_at": values["received_at"] or now,
                "start_core_c": values["start_core_c"],
            }
        )
    # The driver's plain bulk insert and a look-up of the keys: many times as fast as asking for keys back.
    bulk_insert(session, TABLES["unit"], units)
    ids = _ids(session, caller.site_id, col(Unit.sscc), [unit["sscc"] for unit in units])
    stays: list[dict[str, Any]] = []
    contents: list[dict[str, Any]] = []
    for unit, lines in zip(units, new, strict=True):
        shared = {"site_id": caller.site_id, "unit_id": ids[unit["sscc"]]}
        stays.append({**shared, "zone_id": unit["zone_id"], "entered_at": unit["received_at"]})
        for row in lines:
            lot = known.lot(row)
            assert lot is not None  # checked before
            contents.append({**shared, "lot_id": lot.id, "cases": row.values["cases"], "reserved_cases": 0})
    bulk_insert(session, TABLES["stay"], stays)
    bulk_insert(session, TABLES["unit_content"], contents)
    note_changed(session, caller.site_id, ids.values())
    units_by_id = {ids[unit["sscc"]]: unit for unit in units}
    for on_it in queries.contents(session, caller.site_id, unit_ids=units_by_id):
        unit = units_by_id[on_it.unit_id]
        event = unit_received(
            caller,
            at=unit["received_at"],
            unit_id=on_it.unit_id,
            lot_id=on_it.lot_id,
            cases=on_it.cases,
            sscc=unit["sscc"],
            content_id=on_it.id,
            zone_id=unit["zone_id"],
            bay_id=unit["bay_id"],
            is_new=False,
        )
        record(session, caller.site_id, event)


def _ids(session: Session, site_id: int, column: Any, keys: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for start in range(0, len(keys), CHUNK):
        some = keys[start : start + CHUNK]
        rows = session.execute(
            select(column, col(Unit.id)).where(col(Unit.site_id) == site_id, column.in_(some))
        )
        found |= {row[0]: row[1] for row in rows}
    return found
