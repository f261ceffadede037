"""Sensors, and what each room's air is right now."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.offsets import NONE, Offsets
from rimekeep.climate.core.readings import GAP_INTERVALS
from rimekeep.climate.queries.places import offsets
from rimekeep.climate.tables import Sensor
from rimekeep.errors import missing
from rimekeep.platform.database import Listing
from rimekeep.stock.tables import Zone


@dataclass(frozen=True, slots=True)
class ZoneNow:
    """The newest reading of a room, if there is one, and whether it is too old to go by."""

    zone_id: int
    zone_code: str
    zone_name: str
    zone_kind: str
    planned_c: float
    sensor_code: str | None
    temp_c: float | None
    at: datetime | None
    age_s: int | None
    is_stale: bool


def sensor(session: Session, site_id: int, sensor_id: int, *, is_locked: bool = False) -> Sensor:
    """Return a sensor of the site; locked, nobody else changes it until this transaction ends."""
    found = session.get(Sensor, sensor_id, with_for_update=is_locked or None, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("sensor", sensor_id)
    return found


def sensors(site_id: int, *, zone_id: int | None = None) -> Listing:
    """Return the statement for the site's sensors, and its order."""
    statement = select(Sensor).where(col(Sensor.site_id) == site_id)
    if zone_id is not None:
        statement = statement.where(col(Sensor.zone_id) == zone_id)
    return statement, [col(Sensor.id)]


def sensors_due(session: Session, site_id: int, day: date) -> list[Sensor]:
    """Return the sensors in use whose calibration is due by a day, the longest overdue first."""
    due_on = col(Sensor.calibration_due_on)
    return list(
        session.scalars(
            select(Sensor)
            .where(col(Sensor.site_id) == site_id, col(Sensor.is_active), due_on <= day)
            .order_by(due_on, col(Sensor.id))
        )
    )


def sensor_codes(session: Session, site_id: int, sensor_ids: Collection[int]) -> dict[int, str]:
    """Return the codes sensors are known by."""
    rows = session.execute(
        select(col(Sensor.id), col(Sensor.code)).where(
            col(Sensor.site_id) == site_id, col(Sensor.id).in_(sorted(sensor_ids))
        )
    )
    return {row[0]: row[1] for row in rows}


def zone_now(session: Session, site_id: int, now: datetime) -> list[ZoneNow]:
    """Return the newest air of every room: the first sensor by rank that is not silent, else the newest."""
    rows = session.execute(
        select(Zone, Sensor)
        .outerjoin(Sensor, (col(Sensor.zone_id) == col(Zone.id)) & col(Sensor.is_active))
        .where(col(Zone.site_id) == site_id)
        .order_by(col(Zone.id), col(Sensor.rank), col(Sensor.id)),
        # The newest reading is noted by plain statements, past what the session remembers.
        execution_options={"populate_existing": True},
    ).all()
    added = offsets(session, [heard.id for _, heard in rows if heard is not None])
    found: dict[int, ZoneNow] = {}
    for zone, heard in rows:
        new = _zone_now(zone, heard, now, NONE if heard is None else added.get(heard.id, NONE))
        held = found.get(zone.id)
        if held is None or (held.is_stale and _is_better(new, held)):
            found[zone.id] = new
    return list(found.values())


def _is_better(new: ZoneNow, held: ZoneNow) -> bool:
    return not new.is_stale or (new.at is not None and (held.at is None or new.at > held.at))


def _zone_now(zone: Zone, heard: Sensor | None, now: datetime, added: Offsets) -> ZoneNow:
    at = age_s = temp_c = code = None
    # What a sensor said before it was put here tells nothing about this room.
    if heard is not None and heard.last_at_ms is not None and heard.last_at_ms >= heard.stands_since_ms:
        code = heard.code
        at = datetime.fromtimestamp(heard.last_at_ms / 1000, UTC)
        age_s = max(0, int((now - at).total_seconds()))
        temp_c = None if heard.last_c is None else heard.last_c + added.at(heard.last_at_ms)
    is_stale = heard is None or age_s is None or age_s > GAP_INTERVALS * heard.interval_s
    return ZoneNow(
        zone.id, zone.code, zone.name, zone.kind, zone.planned_c, code, temp_c, at, age_s, is_stale
    )
