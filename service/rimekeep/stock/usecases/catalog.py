"""Register products, zones, bays and lots."""

from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.errors import Conflict, Missing, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries
from rimekeep.stock.core.facts import (
    bay_faults,
    day_at,
    lot_faults,
    normal_gtin,
    product_faults,
    refuse,
    zone_faults,
)
from rimekeep.stock.core.states import BayRole, QaState
from rimekeep.stock.tables import Bay, Lot, Product, Zone
from rimekeep.wording import say

AWAITING_QA = "awaiting QA release"


def register_product(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    sku: str,
    name: str,
    package: str,
    abv_pct: float,
    case_mass_kg: float,
    cases_per_layer: int,
    layers_per_pallet: int,
    pallet_tare_kg: float,
    footprint: str,
    carry_min_c: float,
    carry_max_c: float,
    gtin: str | None = None,
    original_extract_p: float | None = None,
    alcohol_mass_pct: float | None = None,
    value_per_case: float | None = None,
    case_height_mm: float | None = None,
    crush_limit_kg: float | None = None,
) -> Product:
    """Register one beer in one package."""
    facts: dict[str, Any] = {
        "sku": sku,
        "name": name,
        "gtin": gtin,
        "package": package,
        "abv_pct": abv_pct,
        "original_extract_p": original_extract_p,
        "alcohol_mass_pct": alcohol_mass_pct,
        "case_mass_kg": case_mass_kg,
        "cases_per_layer": cases_per_layer,
        "layers_per_pallet": layers_per_pallet,
        "pallet_tare_kg": pallet_tare_kg,
        "footprint": footprint,
        "carry_min_c": carry_min_c,
        "carry_max_c": carry_max_c,
        "value_per_case": value_per_case,
        "case_height_mm": case_height_mm,
        "crush_limit_kg": crush_limit_kg,
    }
    refuse(product_faults(facts))
    if gtin is not None:
        facts["gtin"] = normal_gtin(gtin)
    same = col(Product.sku) == sku
    if gtin is not None:
        same = same | (col(Product.gtin) == facts["gtin"])
    taken = session.scalar(select(Product).where(col(Product.site_id) == caller.site_id, same))
    if taken is not None:
        which = (
            say("SKU {sku}", sku=sku)
            if taken.sku == sku
            else say("GTIN {facts} (SKU {sku})", facts=facts["gtin"], sku=taken.sku)
        )
        raise Conflict(
            "product-exists",
            say("There is a product with {which} already.", which=which),
            data={"id": taken.id},
        )
    added = Product(site_id=caller.site_id, **facts)
    session.add(added)
    session.flush()
    _note(session, now, caller, "product.registered", {"id": added.id, **facts})
    return added


def register_zone(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    code: str,
    name: str,
    kind: str,
    planned_c: float,
    slot_pitch_m: float | None = None,
    aisle_pitch_m: float | None = None,
    cross_aisle_offset_m: float | None = None,
    slots_front_block: int | None = None,
    cross_aisles_after: list[int] | None = None,
    level_penalty_m: float = 0.0,
    is_one_way: bool = False,
    units_per_walk: int | None = None,
    max_unit_height_mm: float | None = None,
    max_unit_mass_kg: float | None = None,
) -> Zone:
    """Register a room or area with its own air temperature."""
    facts: dict[str, Any] = {
        "code": code,
        "name": name,
        "kind": kind,
        "planned_c": planned_c,
        "slot_pitch_m": slot_pitch_m,
        "aisle_pitch_m": aisle_pitch_m,
        "cross_aisle_offset_m": cross_aisle_offset_m,
        "slots_front_block": slots_front_block,
        "cross_aisles_after": cross_aisles_after,
        "level_penalty_m": level_penalty_m,
        "is_one_way": is_one_way,
        "units_per_walk": units_per_walk,
        "max_unit_height_mm": max_unit_height_mm,
        "max_unit_mass_kg": max_unit_mass_kg,
    }
    refuse(zone_faults(facts))
    taken = session.scalar(
        select(col(Zone.id)).where(col(Zone.site_id) == caller.site_id, col(Zone.code) == code)
    )
    if taken is not None:
        raise Conflict("zone-exists", say("There is a zone {code} already.", code=code), data={"id": taken})
    added = Zone(site_id=caller.site_id, **facts)
    session.add(added)
    session.flush()
    _note(session, now, caller, "zone.registered", {"id": added.id, **facts})
    return added


def register_bay(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    zone_id: int,
    code: str,
    aisle: int,
    slot: int,
    level: int = 0,
    check_code: str,
    role: str = BayRole.BULK,
    depth: int = 1,
    capacity_units: int | None = None,
) -> Bay:
    """Register an addressable place in a zone."""
    facts: dict[str, Any] = {
        "zone_id": zone_id,
        "code": code,
        "aisle": aisle,
        "slot": slot,
        "level": level,
        "check_code": check_code,
        "role": role,
        "depth": depth,
        "capacity_units": capacity_units,
    }
    refuse(bay_faults(facts))
    known_zone(session, caller.site_id, zone_id)
    taken = session.scalar(
        select(col(Bay.id)).where(col(Bay.site_id) == caller.site_id, col(Bay.code) == code)
    )
    if taken is not None:
        raise Conflict("bay-exists", say("There is a bay {code} already.", code=code), data={"id": taken})
    added = Bay(site_id=caller.site_id, **facts)
    session.add(added)
    session.flush()
    _note(session, now, caller, "bay.registered", {"id": added.id, **facts})
    return added


def register_lot(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    product_id: int,
    code: str,
    packaged_at: datetime,
    best_before_on: date,
    cases_made: int = 0,
    released: bool = False,
) -> Lot:
    """Register what one packaging run made; it waits for QA's release unless it has it already."""
    zone = ZoneInfo(site_of(session, caller.site_id).time_zone)
    facts: dict[str, Any] = {
        "code": code,
        "packaged_at": packaged_at,
        "best_before_on": best_before_on,
        "cases_made": cases_made,
    }
    refuse(lot_faults(facts, packaged_on=day_at(packaged_at, zone), today=day_at(now, zone)))
    try:
        queries.product(session, caller.site_id, product_id)
    except Missing as error:
        raise invalid(
            "product_id", error.detail, say("Register the product first, or correct its id.")
        ) from None
    taken = session.scalar(
        select(col(Lot.id)).where(
            col(Lot.site_id) == caller.site_id, col(Lot.product_id) == product_id, col(Lot.code) == code
        )
    )
    if taken is not None:
        raise Conflict(
            "lot-exists", say("There is a lot {code} of this product already.", code=code), data={"id": taken}
        )
    added = Lot(
        site_id=caller.site_id,
        product_id=product_id,
        qa_state=QaState.RELEASED if released else QaState.HELD,
        qa_reason="" if released else AWAITING_QA,
        **facts,
    )
    session.add(added)
    session.flush()
    record(session, caller.site_id, lot_registered(added, now, caller))
    return added


def lot_registered(lot: Lot, now: datetime, caller: Caller) -> Event:
    """Return the ledger's word on a new lot."""
    return Event(
        "lot.registered",
        now,
        actor_id=caller.id,
        lot_id=lot.id,
        cases=lot.cases_made,
        data={
            "product_id": lot.product_id,
            "code": lot.code,
            "packaged_at": lot.packaged_at.isoformat(),
            "best_before_on": lot.best_before_on.isoformat(),
            "qa_state": str(lot.qa_state),
        },
    )


def known_zone(session: Session, site_id: int, zone_id: int, *, where: str = "zone_id") -> Zone:
    """Return the zone a request refers to; raise `Invalid` naming the field when there is none."""
    try:
        return queries.zone(session, site_id, zone_id)
    except Missing as error:
        raise invalid(where, error.detail, say("Give the id of a zone of this site.")) from None


def known_bay(session: Session, site_id: int, bay_id: int | None, zone: Zone) -> Bay | None:
    """Return the bay a request refers to, which must be in ``zone``; raise `Invalid` otherwise."""
    if bay_id is None:
        return None
    try:
        bay = queries.bay(session, site_id, bay_id)
    except Missing as error:
        raise invalid("bay_id", error.detail, say("Give the id of a bay of this site.")) from None
    if bay.zone_id != zone.id:
        raise invalid(
            "bay_id",
            say("Bay {code} is not in zone {zone_code}.", code=bay.code, zone_code=zone.code),
            say("Give a bay of that zone, or the bay's own zone."),
        )
    return bay


def _note(session: Session, now: datetime, caller: Caller, kind: str, data: dict[str, Any]) -> None:
    record(session, caller.site_id, Event(kind, now, actor_id=caller.id, data=data))
