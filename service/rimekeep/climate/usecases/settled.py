"""Carry QA's word about single readings into what is held."""

from datetime import datetime

from sqlalchemy import Table, func, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries
from rimekeep.climate.core.changes import Changed
from rimekeep.climate.core.intake import Heard
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.climate.usecases.changes import by_stay, note_changes
from rimekeep.platform.database import ensure_months, epoch_ms, insert_numbers

READINGS: Table = Reading.__table__  # type: ignore[attr-defined]
# A sensor and an instant. [ms since 1970]
Key = tuple[int, int]


def put_back(session: Session, now: datetime, site_id: int, readings: dict[Key, float]) -> None:
    """Store readings of instants that hold none."""
    if not readings:
        return
    ensure_months(session, READINGS, [key[1] for key in readings])
    insert_numbers(
        session,
        READINGS,
        {
            "site_id": site_id,
            "received_at_ms": epoch_ms(now),
            "sensor_id": [key[0] for key in readings],
            "at_ms": [key[1] for key in readings],
            "temp_c": list(readings.values()),
        },
    )


def follow_changes(
    session: Session,
    now: datetime,
    site_id: int,
    sensors: dict[int, Heard],
    changed_ms: dict[int, list[int]],
) -> None:
    """After readings of these instants came, went or changed: note each sensor's newest and leave word."""
    changed = []
    for sensor_id, instants in sorted(changed_ms.items()):
        newest = session.execute(
            select(READINGS.c.at_ms, READINGS.c.temp_c)
            .where(READINGS.c.site_id == site_id, READINGS.c.sensor_id == sensor_id)
            .order_by(READINGS.c.at_ms.desc())
            .limit(1)
        ).first()
        session.execute(
            update(Sensor)
            .where(col(Sensor.id) == sensor_id)
            .values(
                last_at_ms=None if newest is None else newest[0],
                last_c=None if newest is None else newest[1],
                heard_ms=func.coalesce(col(Sensor.heard_ms), max(instants)),
            )
        )
        first_ms, last_ms = min(instants), max(instants)
        around = queries.own_neighbours(session, site_id, sensor_id, first_ms, last_ms)
        changed.append(Changed(sensor_id, sensors[sensor_id].zone_id, first_ms, last_ms, *around))
    note_changes(session, now, site_id, list(by_stay(session, site_id, changed)))
