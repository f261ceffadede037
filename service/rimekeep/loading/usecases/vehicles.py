"""The fleet."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.loading import queries
from rimekeep.loading.core.day import checked_truck
from rimekeep.loading.tables import Vehicle
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.states import ZoneKind
from rimekeep.stock.usecases import register_zone
from rimekeep.wording import say


def register_vehicle(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    code: str,
    name: str,
    truck: Mapping[str, Any],
    planned_c: float,
) -> Vehicle:
    """Register a vehicle; its load space becomes a zone of the same code, so that a trip ages its load."""
    checked = checked_truck(truck)
    if queries.is_vehicle_code(session, caller.site_id, code):
        raise Conflict(
            "vehicle-exists", say("There is a vehicle {code} already.", code=code), data={"code": code}
        )
    zone = register_zone(
        session, now, caller, code=code, name=name, kind=ZoneKind.VEHICLE, planned_c=planned_c
    )
    added = Vehicle(site_id=caller.site_id, code=code, name=name, zone_id=zone.id, truck=checked)
    session.add(added)
    session.flush()
    data = {"id": added.id, "code": code, "name": name, "zone_id": zone.id, "truck": checked}
    record(session, caller.site_id, Event("vehicle.registered", now, actor_id=caller.id, data=data))
    return added


def deactivate_vehicle(session: Session, now: datetime, caller: Caller, vehicle_id: int) -> Vehicle:
    """Take a vehicle out of planning; what it carried stays on record."""
    found = queries.vehicle(session, caller.site_id, vehicle_id, is_locked=True)
    busy = queries.busy_vehicles(session, caller.site_id)
    if found.id in busy:
        raise Conflict(
            "vehicle-busy",
            say(
                "Vehicle {code} has trips to make by load plan {busy}; drop that plan first.",
                code=found.code,
                busy=busy[found.id],
            ),
            data={"plan_id": busy[found.id]},
        )
    if found.is_active:
        found.is_active = False
        data = {"id": found.id, "code": found.code}
        record(session, caller.site_id, Event("vehicle.deactivated", now, actor_id=caller.id, data=data))
    return found


def change_vehicle(
    session: Session,
    now: datetime,
    caller: Caller,
    found: Vehicle,
    *,
    reason: str,
    name: str | None = None,
    truck: Mapping[str, Any] | None = None,
) -> None:
    """Correct a locked vehicle between its trips: what was reckoned for one on its way must not move."""
    under_way = queries.plan_under_way(session, found.id)
    if under_way is not None:
        raise Conflict(
            "vehicle-busy",
            say(
                "Vehicle {code} has a trip by load plan {under_way} that has not ended; change it after.",
                code=found.code,
                under_way=under_way,
            ),
            data={"plan_id": under_way},
        )
    after = {
        "name": found.name if name is None else name,
        "truck": found.truck if truck is None else checked_truck(truck),
    }
    changed = {key: value for key, value in after.items() if getattr(found, key) != value}
    if not changed:
        return
    data = {"id": found.id, "before": {key: getattr(found, key) for key in changed}, "after": changed}
    for key, value in changed.items():
        setattr(found, key, value)
    session.flush()
    record(
        session, caller.site_id, Event("vehicle.changed", now, actor_id=caller.id, reason=reason, data=data)
    )
