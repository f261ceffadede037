"""Stock with sensible, invented facts, made by the use cases themselves."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import count
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.stock import usecases
from rimekeep.stock.core import gs1
from rimekeep.stock.tables import Bay, Lot, Product, Unit, Zone

_numbers = count(1)
_gtins = count(1)
# A company prefix other than the test site's own, so that made-up pallets never meet built ones.
PREFIX = "9529876"


def new_sscc() -> str:
    """Return a valid SSCC nobody has used yet."""
    return gs1.sscc(1, PREFIX, next(_numbers))


def new_gtin() -> str:
    """Return a valid GTIN-14 nobody has used yet."""
    body = f"19529876{next(_gtins):05d}"
    return f"{body}{gs1.check_digit(body)}"


def make_product(session: Session, now: datetime, caller: Caller, **overrides: Any) -> Product:
    """A lager in cases of 24 bottles, 8 a layer, 6 layers."""
    number = next(_numbers)
    facts: dict[str, Any] = {
        "sku": f"LAG-{number}",
        "name": f"Invented lager {number}",
        "gtin": new_gtin(),
        "package": "bottle",
        "abv_pct": 5.0,
        "original_extract_p": 11.8,
        "alcohol_mass_pct": 4.0,
        "case_mass_kg": 18.5,
        "cases_per_layer": 8,
        "layers_per_pallet": 6,
        "pallet_tare_kg": 25.0,
        "footprint": "800x1200",
        "carry_min_c": 1.0,
        "carry_max_c": 12.0,
    }
    return usecases.register_product(session, now, caller, **{**facts, **overrides})


def make_zone(session: Session, now: datetime, caller: Caller, **overrides: Any) -> Zone:
    """A room at 4 °C with aisles."""
    number = next(_numbers)
    facts: dict[str, Any] = {
        "code": f"Z{number}",
        "name": f"Invented room {number}",
        "kind": "store",
        "planned_c": 4.0,
        "slot_pitch_m": 1.0,
        "aisle_pitch_m": 4.0,
        "cross_aisle_offset_m": 1.5,
    }
    return usecases.register_zone(session, now, caller, **{**facts, **overrides})


def make_bay(session: Session, now: datetime, caller: Caller, zone: Zone, **overrides: Any) -> Bay:
    """A bay of ``zone``, the next slot of aisle 1."""
    number = next(_numbers)
    facts: dict[str, Any] = {
        "zone_id": zone.id,
        "code": f"B{number}",
        "aisle": 1,
        "slot": number % 10_000 + 1,
        "level": 0,
        "check_code": f"{number:03d}",
    }
    return usecases.register_bay(session, now, caller, **{**facts, **overrides})


def make_lot(
    session: Session, now: datetime, caller: Caller, product: Product | None = None, **overrides: Any
) -> Lot:
    """A released lot packaged two weeks ago and good for half a year."""
    facts: dict[str, Any] = {
        "code": f"L{next(_numbers)}",
        "packaged_at": now - timedelta(days=14),
        "best_before_on": date.fromordinal(now.toordinal() + 180),
        "released": True,
    }
    if "product_id" not in overrides:
        facts["product_id"] = (product or make_product(session, now, caller)).id
    return usecases.register_lot(session, now, caller, **{**facts, **overrides})


def make_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    lot: Lot | None = None,
    zone: Zone | None = None,
    bay: Bay | None = None,
    *,
    cases: int = 48,
    **overrides: Any,
) -> Unit:
    """A full pallet of one released lot, received a day ago."""
    zone_id = bay.zone_id if bay else (zone or make_zone(session, now, caller)).id
    facts: dict[str, Any] = {
        "sscc": new_sscc(),
        "zone_id": zone_id,
        "bay_id": bay.id if bay else None,
        "received_at": now - timedelta(days=1),
    }
    if "contents" not in overrides:
        facts["contents"] = [((lot or make_lot(session, now, caller)).id, cases)]
    return usecases.receive_unit(session, now, caller, **{**facts, **overrides})
