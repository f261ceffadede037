"""Change products, zones and bays: what may be different from now on, and history keeps its sense."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import conflict
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import bay_faults, product_faults, refuse, zone_faults
from rimekeep.stock.core.states import BayRole
from rimekeep.stock.tables import Bay, PickFace, Product, Zone
from rimekeep.wording import say


def change_product(
    session: Session, now: datetime, caller: Caller, product: Product, *, reason: str, **facts: Any
) -> None:
    """Change a locked product's name, masses, pattern, stacking, range to be carried at, or value."""
    refuse(product_faults(_after(product, facts)))
    _change(session, now, caller, "product.changed", product, facts, reason)


def change_zone(
    session: Session, now: datetime, caller: Caller, zone: Zone, *, reason: str, **facts: Any
) -> None:
    """Change a locked zone's name, its aisles' geometry, or what is taken along and built there."""
    refuse(zone_faults(_after(zone, facts)))
    _change(session, now, caller, "zone.changed", zone, facts, reason)


def change_bay(
    session: Session, now: datetime, caller: Caller, bay: Bay, *, reason: str, **facts: Any
) -> None:
    """Change a locked bay's check code, what it is for, or what it holds."""
    after = _after(bay, facts)
    refuse(bay_faults(after))
    if after["role"] != BayRole.PICK:
        filled = session.scalar(select(col(PickFace.id)).where(col(PickFace.bay_id) == bay.id).limit(1))
        if filled is not None:
            raise conflict(
                "bay-in-use",
                "role",
                say("Bay {code} is filled for picking from bulk bays.", code=bay.code),
                say("Leave it a pick bay."),
            )
    _change(session, now, caller, "bay.changed", bay, facts, reason)


def _after(row: Product | Zone | Bay, facts: Mapping[str, Any]) -> dict[str, Any]:
    return {**row.model_dump(), **facts}


def _change(
    session: Session,
    now: datetime,
    caller: Caller,
    kind: str,
    row: Product | Zone | Bay,
    facts: Mapping[str, Any],
    reason: str,
) -> None:
    """Write what differs, and record it; nothing where nothing does."""
    changed = {name: value for name, value in facts.items() if getattr(row, name) != value}
    if not changed:
        return
    data = {"id": row.id, "before": {name: getattr(row, name) for name in changed}, "after": changed}
    for name, value in changed.items():
        setattr(row, name, value)
    session.flush()
    record(session, caller.site_id, Event(kind, now, actor_id=caller.id, reason=reason, data=data))
