"""Register sensors and switch them off."""

import math
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.climate import queries
from rimekeep.climate.core.senml import NAME
from rimekeep.climate.tables import Sensor
from rimekeep.errors import Conflict, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock

MAX_CODE = 80
MAX_INTERVAL_S = 86_400


def register_sensor(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    code: str,
    zone_id: int,
    interval_s: int,
    error_c: float = 0.5,
    rank: int = 1,
    calibration_due_on: date | None = None,
) -> Sensor:
    """Register a logger of a room's air; its code is its name in SenML packs too."""
    if len(code) > MAX_CODE or not NAME.fullmatch(code):
        raise invalid(
            "code",
            "This is not a name a sensor can have.",
            f"Use up to {MAX_CODE} letters, digits and - : . / _ and start with a letter or digit.",
        )
    if not 1 <= interval_s <= MAX_INTERVAL_S:
        raise invalid(
            "interval_s", f"{interval_s} s is not 1 to {MAX_INTERVAL_S}.", "Give how often it reports."
        )
    if not (math.isfinite(error_c) and 0 <= error_c <= 10):
        raise invalid("error_c", f"{error_c} is not 0 to 10 °C.", "Take it from the calibration certificate.")
    if not 1 <= rank <= 100:
        raise invalid("rank", f"{rank} is not 1 to 100.", "Give 1 to the sensor that speaks for the room.")
    zone = stock.zone(session, caller.site_id, zone_id)
    taken = select(col(Sensor.id)).where(col(Sensor.site_id) == caller.site_id, col(Sensor.code) == code)
    if session.scalar(taken) is not None:
        raise Conflict("sensor-exists", f"There is a sensor {code} already.")
    added = Sensor(
        site_id=caller.site_id,
        zone_id=zone.id,
        code=code,
        interval_s=interval_s,
        error_c=error_c,
        rank=rank,
        calibration_due_on=calibration_due_on,
    )
    session.add(added)
    session.flush()
    record(
        session,
        caller.site_id,
        Event(
            "sensor.registered",
            now,
            actor_id=caller.id,
            data={"id": added.id, "code": code, "zone": zone.code, "interval_s": interval_s, "rank": rank},
        ),
    )
    return added


def switch_off_sensor(
    session: Session, now: datetime, caller: Caller, *, sensor_id: int, reason: str
) -> Sensor:
    """Listen to a sensor no longer; what it said stays part of the room's air, and it is not missed."""
    found = queries.sensor(session, caller.site_id, sensor_id)
    if not found.is_active:
        raise Conflict("sensor-off", f"Sensor {found.code} is switched off already.")
    found.is_active = False
    record(
        session,
        caller.site_id,
        Event(
            "sensor.switched-off",
            now,
            actor_id=caller.id,
            reason=reason,
            data={"id": found.id, "code": found.code},
        ),
    )
    return found
