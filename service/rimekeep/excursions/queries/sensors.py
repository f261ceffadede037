"""The sensors that are watched: where they are, how far they may be out, and when each last spoke."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Joined
from rimekeep.climate.core.readings import GAP_INTERVALS, FloatArray
from rimekeep.climate.tables import Sensor


@dataclass(frozen=True, slots=True)
class WatchedSensor:
    """A sensor as it stands now. ``error_c`` is what its certificate states. [s, K]"""

    id: int
    zone_id: int
    code: str
    interval_s: int
    error_c: float
    rank: int
    calibration_due_on: date | None
    is_active: bool
    registered_at: datetime
    last_at: datetime | None

    @property
    def heard_at(self) -> datetime:
        """Return when it last spoke; for one that never did, when it was registered."""
        return self.last_at or self.registered_at

    @property
    def missed_at(self) -> datetime:
        """Return when it counts as silent, if nothing comes until then."""
        return self.heard_at + timedelta(seconds=GAP_INTERVALS * self.interval_s)


def sensors_of(
    session: Session, site_id: int, *, zone_ids: Collection[int] | None = None, is_active: bool | None = True
) -> list[WatchedSensor]:
    """Return the sensors of a site or of some of its rooms, the speaking one of each room first."""
    statement = select(
        col(Sensor.id),
        col(Sensor.zone_id),
        col(Sensor.code),
        col(Sensor.interval_s),
        col(Sensor.error_c),
        col(Sensor.rank),
        col(Sensor.calibration_due_on),
        col(Sensor.is_active),
        col(Sensor.registered_at),
        col(Sensor.last_at_ms),
    ).where(col(Sensor.site_id) == site_id)
    if is_active is not None:
        statement = statement.where(col(Sensor.is_active) == is_active)
    if zone_ids is not None:
        statement = statement.where(col(Sensor.zone_id).in_(sorted(zone_ids)))
    rows = session.execute(statement.order_by(col(Sensor.zone_id), col(Sensor.rank), col(Sensor.id)))
    return [
        WatchedSensor(*row[:9], None if row[9] is None else datetime.fromtimestamp(row[9] / 1000, UTC))
        for row in rows
    ]


def errors_of(readings: Joined, sensors: Iterable[WatchedSensor]) -> FloatArray:
    """Return the stated error of the sensor each reading is from. [K]"""
    stated = {sensor.id: sensor.error_c for sensor in sensors}
    heard, place = np.unique(readings.sensor_id, return_inverse=True)
    return np.array([stated.get(int(key), 0.0) for key in heard], dtype=np.float64)[place]
