"""
Put units on a vehicle and send them off.

Whoever loads follows the dock's own rules: vehicle chocked or locked before a truck drives on it.
"""

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.states import UnitState, ZoneKind
from rimekeep.stock.tables import Stay, Unit, UnitContent, Zone
from rimekeep.stock.usecases.catalog import known_zone
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.units import (
    known_room,
    locked_units,
    note_units,
    place_units,
    require_released,
)
from rimekeep.wording import say


def load_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int], zone_id: int
) -> list[Unit]:
    """Put picked units into a vehicle's load space."""
    units = _in_state(session, caller, unit_ids, UnitState.PICKED, say("pick it first"))
    zone = known_zone(session, caller.site_id, zone_id)
    if zone.kind != ZoneKind.VEHICLE:
        raise invalid(
            "zone_id",
            say("{code} is a {kind} zone.", code=zone.code, kind=zone.kind),
            say("Give the load space of a vehicle."),
        )
    require_released(session, units)
    _end_earlier_trips(session, now, zone)
    for unit in units:
        unit.state = UnitState.LOADED
    place_units(session, units, zone=zone, bay=None, at=now)
    note_units(session, now, caller, "unit.loaded", units, {"zone_id": zone.id, "zone": zone.code})
    return units


def _end_earlier_trips(session: Session, now: datetime, zone: Zone) -> None:
    """End the stays of what left on earlier trips: a body that is loaded anew no longer holds it."""
    gone = select(col(Unit.id)).where(
        col(Unit.site_id) == zone.site_id, col(Unit.zone_id) == zone.id, col(Unit.state) == UnitState.DEPARTED
    )
    ended = session.scalars(
        update(Stay)
        .where(col(Stay.site_id) == zone.site_id, col(Stay.zone_id) == zone.id)
        .where(col(Stay.left_at).is_(None), col(Stay.unit_id).in_(gone))
        .values(left_at=now)
        .returning(col(Stay.unit_id))
        .execution_options(synchronize_session=False)
    )
    note_changed(session, zone.site_id, list(ended))


def unload_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int], zone_id: int
) -> list[Unit]:
    """Take loaded units off a vehicle again; they are still picked for their orders."""
    units = _in_state(session, caller, unit_ids, UnitState.LOADED, say("only loaded units are unloaded"))
    zone, _ = known_room(session, caller.site_id, zone_id)
    for unit in units:
        unit.state = UnitState.PICKED
    place_units(session, units, zone=zone, bay=None, at=now)
    note_units(session, now, caller, "unit.unloaded", units, {"zone_id": zone.id, "zone": zone.code})
    return units


def depart_units(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    unit_ids: Collection[int],
    facts: Mapping[int, Mapping[str, Any]] | None = None,
) -> list[Unit]:
    """
    Let loaded units leave the site.

    Their stay in the vehicle stays open until they are delivered or taken back, or it is loaded anew: the
    trip still ages them. ``facts`` are kept in the ledger with each unit's departure, by unit id: order,
    customer, trip; plain JSON.
    """
    units = _in_state(session, caller, unit_ids, UnitState.LOADED, say("load it first"))
    require_released(session, units)
    ids = [unit.id for unit in units]
    for unit in units:
        unit.state = UnitState.DEPARTED
    session.flush()
    session.execute(
        update(UnitContent)
        .where(col(UnitContent.unit_id).in_(ids))
        .values(reserved_cases=0)
        .execution_options(synchronize_session=False)
    )
    by_id = {unit.id: unit for unit in units}
    on_them = session.scalars(
        select(UnitContent)
        .where(col(UnitContent.unit_id).in_(ids), col(UnitContent.cases) > 0)
        .order_by(col(UnitContent.id))
        .execution_options(populate_existing=True)
    )
    for row in on_them:
        unit = by_id[row.unit_id]
        data = {
            "sscc": unit.sscc,
            "content_id": row.id,
            "zone_id": unit.zone_id,
            **(facts or {}).get(unit.id, {}),
        }
        record(
            session,
            caller.site_id,
            Event(
                "unit.departed", now, actor_id=caller.id, lot_id=row.lot_id, unit_id=unit.id, cases=row.cases,
                data=data,
            ),
        )  # fmt: skip
    return units


def _in_state(
    session: Session, caller: Caller, unit_ids: Collection[int], state: UnitState, mend: str
) -> list[Unit]:
    units = locked_units(session, caller.site_id, unit_ids)
    for unit in units:
        if unit.state != state:
            raise Refused(
                f"unit-not-{state}",
                say(
                    "Unit {sscc} is {state}, not {state_2}; {mend}.",
                    sscc=unit.sscc,
                    state=unit.state,
                    state_2=state,
                    mend=mend,
                ),
                data={"sscc": unit.sscc, "state": str(unit.state)},
            )
    return units
