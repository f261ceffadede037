"""Products, zones, bays and lots from CSV files."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.platform.csvfile import (
    Column,
    Dialect,
    ImportReport,
    Row,
    Rows,
    code,
    count,
    day,
    decimal,
    instant,
    name,
    text,
    whole,
    word,
    yes_no,
)
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries
from rimekeep.stock.core.facts import bay_faults, lot_faults, normal_gtin, product_faults, zone_faults
from rimekeep.stock.core.states import BayRole, Footprint, Package, QaState, ZoneKind
from rimekeep.stock.tables import Bay, Lot, Product, Zone
from rimekeep.stock.usecases.catalog import AWAITING_QA, lot_registered
from rimekeep.stock.usecases.imports.comparing import (
    Progress,
    begin,
    insert_all,
    is_same,
    refuse_repeats,
    stepped,
    stored_by,
)
from rimekeep.wording import say


def slot_numbers(cell: str, dialect: Dialect) -> list[int]:
    """Read slot numbers with spaces between them."""
    return [whole(one, dialect) for one in cell.split()]


PRODUCT_COLUMNS = (
    Column("sku", code),
    Column("name", name),
    Column("gtin", text, is_required=False),
    Column("package", word(Package)),
    Column("abv_pct", decimal),
    Column("original_extract_p", decimal, is_required=False),
    Column("alcohol_mass_pct", decimal, is_required=False),
    Column("case_mass_kg", decimal),
    Column("cases_per_layer", whole),
    Column("layers_per_pallet", whole),
    Column("pallet_tare_kg", decimal),
    Column("footprint", word(Footprint)),
    Column("carry_min_c", decimal),
    Column("carry_max_c", decimal),
    Column("value_per_case", decimal, is_required=False),
    Column("case_height_mm", decimal, is_required=False),
    Column("crush_limit_kg", decimal, is_required=False),
)
ZONE_COLUMNS = (
    Column("code", code),
    Column("name", name),
    Column("kind", word(ZoneKind)),
    Column("planned_c", decimal),
    Column("slot_pitch_m", decimal, is_required=False),
    Column("aisle_pitch_m", decimal, is_required=False),
    Column("cross_aisle_offset_m", decimal, is_required=False),
    Column("slots_front_block", whole, is_required=False),
    Column("cross_aisles_after", slot_numbers, is_required=False),
    Column("level_penalty_m", decimal, is_required=False, default=0.0),
    Column("is_one_way", yes_no, is_required=False, default=False),
    Column("units_per_walk", whole, is_required=False),
    Column("max_unit_height_mm", decimal, is_required=False),
    Column("max_unit_mass_kg", decimal, is_required=False),
)
BAY_COLUMNS = (
    Column("zone", code),
    Column("code", code),
    Column("aisle", whole),
    Column("slot", whole),
    Column("level", whole, is_required=False, default=0),
    Column("check_code", text),
    Column("role", word(BayRole), is_required=False),
    Column("depth", whole, is_required=False),
    Column("capacity_units", whole, is_required=False),
)
_PLAIN_BAY = Bay(site_id=0, zone_id=0, code="", aisle=1, slot=1, check_code="0")
LOT_COLUMNS = (
    Column("sku", code),
    Column("lot", text),
    Column("packaged_at", instant),
    Column("best_before_on", day),
    Column("cases_made", count),
    Column("released", yes_no, is_required=False, default=False),
)


def import_products(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Register the products of a file."""
    report = begin("products", rows)
    refuse_repeats(report, rows.rows, "sku")
    site_id = caller.site_id
    stored = stored_by(session, Product, site_id, col(Product.sku), (row.values["sku"] for row in rows.rows))
    gtins = {normal_gtin(str(row.values["gtin"])) for row in rows.rows if row.values["gtin"]}
    owners = stored_by(session, Product, site_id, col(Product.gtin), gtins)
    new: list[dict[str, Any]] = []
    line_of: dict[str, int] = {}
    for row in stepped(rows.rows, progress):
        facts: dict[str, Any] = dict(row.values)
        faults = product_faults(facts)
        for fault in faults:
            report.fault(row, fault.field, fault.detail, fault.mend)
        if faults:
            continue
        facts["gtin"] = normal_gtin(facts["gtin"]) if facts["gtin"] else None
        if facts["gtin"] and (first := line_of.setdefault(facts["gtin"], row.line)) != row.line:
            detail = say("GTIN {facts} stands in line {first} already.", facts=facts["gtin"], first=first)
            report.fault(row, "gtin", detail, say("Give each product its own, or leave the cell empty."))
        old = stored.get(facts["sku"])
        if old is not None:
            # A file that says nothing of money or stacking contradicts nothing.
            for name_ in ("value_per_case", "case_height_mm", "crush_limit_kg"):
                if facts[name_] is None:
                    facts[name_] = getattr(old, name_)
            report.unchanged += is_same(report, row, f"SKU {old.sku}", facts, old.model_dump())
        elif facts["gtin"] in owners:
            owner = owners[facts["gtin"]].sku
            report.fault(
                row,
                "gtin",
                say("GTIN {facts} belongs to SKU {owner}.", facts=facts["gtin"], owner=owner),
                say("Check both SKUs."),
            )
        else:
            new.append({"site_id": site_id, **facts})
    if report.faults:
        return report
    for product_id, facts in zip(insert_all(session, Product, new), new, strict=True):
        _note(session, now, caller, "product.registered", {"id": product_id, **facts})
    report.created = len(new)
    return report


def import_zones(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Register the zones of a file."""
    report = begin("zones", rows)
    refuse_repeats(report, rows.rows, "code")
    stored = stored_by(
        session, Zone, caller.site_id, col(Zone.code), (row.values["code"] for row in rows.rows)
    )
    new: list[dict[str, Any]] = []
    for row in stepped(rows.rows, progress):
        facts: dict[str, Any] = dict(row.values)
        faults = zone_faults(facts)
        for fault in faults:
            report.fault(row, fault.field, fault.detail, fault.mend)
        if facts["kind"] == ZoneKind.VEHICLE:
            report.fault(
                row, "kind", say("A load space comes with its vehicle."), say("Register the vehicle instead.")
            )
        elif not faults and facts["code"] in stored:
            old = stored[facts["code"]]
            report.unchanged += is_same(report, row, f"zone {old.code}", facts, old.model_dump())
        else:
            new.append({"site_id": caller.site_id, **facts})
    if report.faults:
        return report
    for zone_id, facts in zip(insert_all(session, Zone, new), new, strict=True):
        _note(session, now, caller, "zone.registered", {"id": zone_id, **facts})
    report.created = len(new)
    return report


def import_bays(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Register the bays of a file."""
    report = begin("bays", rows)
    refuse_repeats(report, rows.rows, "code")
    zones = {zone.code: zone for zone in queries.zones(session, caller.site_id)}
    stored = stored_by(session, Bay, caller.site_id, col(Bay.code), (row.values["code"] for row in rows.rows))
    names = {zone.id: zone.code for zone in zones.values()}
    new: list[dict[str, Any]] = []
    for row in stepped(rows.rows, progress):
        facts: dict[str, Any] = dict(row.values)
        # A file that says nothing of what the bay is for contradicts nothing.
        known = stored.get(facts["code"]) or _PLAIN_BAY
        for name_ in ("role", "depth", "capacity_units"):
            if facts[name_] is None:
                facts[name_] = getattr(known, name_)
        faults = bay_faults(facts)
        for fault in faults:
            report.fault(row, fault.field, fault.detail, fault.mend)
        zone = zones.get(facts["zone"])
        if zone is None:
            report.fault(
                row,
                "zone",
                say("There is no zone {facts!r}.", facts=facts["zone"]),
                say("Import the zones first."),
            )
        elif not faults and facts["code"] in stored:
            old = stored[facts["code"]]
            was = {**old.model_dump(), "zone": names[old.zone_id]}
            report.unchanged += is_same(report, row, f"bay {old.code}", facts, was)
        else:
            del facts["zone"]
            new.append({"site_id": caller.site_id, "zone_id": zone.id, **facts})
    if report.faults:
        return report
    for bay_id, facts in zip(insert_all(session, Bay, new), new, strict=True):
        _note(session, now, caller, "bay.registered", {"id": bay_id, **facts})
    report.created = len(new)
    return report


def import_lots(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """Register the lots of a file."""
    report = begin("lots", rows)
    refuse_repeats(report, rows.rows, "sku", "lot")
    zone = ZoneInfo(site_of(session, caller.site_id).time_zone)
    today = now.astimezone(zone).date()
    products = stored_by(
        session, Product, caller.site_id, col(Product.sku), (row.values["sku"] for row in rows.rows)
    )
    stored = _stored_lots(session, caller.site_id, {product.id for product in products.values()})
    as_registered = queries.lots_as_registered(session, caller.site_id, [lot.id for lot in stored.values()])
    new: list[Lot] = []
    for row in stepped(rows.rows, progress):
        facts = _lot_facts(row)
        packaged_on = facts["packaged_at"].astimezone(zone).date()
        faults = lot_faults(facts, packaged_on=packaged_on, today=today)
        for fault in faults:
            column = "lot" if fault.field == "code" else fault.field
            report.fault(row, column, fault.detail, fault.mend)
        product = products.get(row.values["sku"])
        if product is None:
            report.fault(
                row,
                "sku",
                say("There is no product {values!r}.", values=row.values["sku"]),
                say("Import the products first."),
            )
            continue
        old = stored.get((product.id, facts["code"]))
        if old is not None and not faults:
            given = {
                name: row.values[name] for name in ("packaged_at", "best_before_on", "cases_made", "released")
            }
            was = {**old.model_dump(), **as_registered[old.id]}
            report.unchanged += is_same(report, row, f"lot {old.code}", given, was)
            continue
        is_released = bool(row.values["released"])
        if is_released and caller.roles.isdisjoint({Role.QA, Role.ADMIN}):
            report.fault(
                row, "released", say("Only QA releases a lot."), say("Write no, or have QA take the file in.")
            )
        new.append(
            Lot(
                site_id=caller.site_id,
                product_id=product.id,
                qa_state=QaState.RELEASED if is_released else QaState.HELD,
                qa_reason="" if is_released else AWAITING_QA,
                **facts,
            )
        )
    if report.faults:
        return report
    session.add_all(new)
    session.flush()
    for lot in new:
        record(session, caller.site_id, lot_registered(lot, now, caller))
    report.created = len(new)
    return report


def _lot_facts(row: Row) -> dict[str, Any]:
    facts: dict[str, Any] = {
        name: row.values[name] for name in ("packaged_at", "best_before_on", "cases_made")
    }
    return {"code": row.values["lot"], **facts}


def _stored_lots(session: Session, site_id: int, product_ids: set[int]) -> dict[tuple[int, str], Lot]:
    found: dict[tuple[int, str], Lot] = {}
    for some in parts(product_ids):
        rows = session.scalars(select(Lot).where(col(Lot.site_id) == site_id, col(Lot.product_id).in_(some)))
        found |= {(lot.product_id, lot.code): lot for lot in rows}
    return found


def _note(session: Session, now: datetime, caller: Caller, kind: str, facts: dict[str, Any]) -> None:
    data = {name: value for name, value in facts.items() if name != "site_id"}
    record(session, caller.site_id, Event(kind, now, actor_id=caller.id, data=data))
