"""Where sensors stood, and what calibrations add to their readings."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import Subquery, and_, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.climate.core.offsets import Offsets
from rimekeep.climate.tables import Sensor, SensorOffset, SensorPlace
from rimekeep.platform.database import Listing

# Later than anything that will be measured.
FOREVER_MS = 2**62


def stretches(site_id: int) -> Subquery:
    """Return where each sensor of a site stood: sensor_id, zone_id, from_ms and until_ms, not included."""
    later = aliased(SensorPlace)
    is_overruled = (
        select(col(later.id))
        .where(
            col(later.sensor_id) == col(SensorPlace.sensor_id),
            col(later.from_ms) == col(SensorPlace.from_ms),
            col(later.id) > col(SensorPlace.id),
        )
        .exists()
    )
    until_ms = func.lead(col(SensorPlace.from_ms), 1, FOREVER_MS).over(
        partition_by=col(SensorPlace.sensor_id), order_by=col(SensorPlace.from_ms)
    )
    return (
        select(
            col(SensorPlace.sensor_id),
            col(SensorPlace.zone_id),
            col(SensorPlace.from_ms),
            until_ms.label("until_ms"),
        )
        .join(Sensor, and_(col(Sensor.id) == col(SensorPlace.sensor_id), col(Sensor.site_id) == site_id))
        .where(~is_overruled)
        .subquery("stretch")
    )


@dataclass(frozen=True, slots=True)
class Stay:
    """A sensor in one room, from an instant until another, not included. [ms since 1970]"""

    zone_id: int
    from_ms: int
    until_ms: int


def stays(session: Session, site_id: int, sensor_id: int) -> list[Stay]:
    """Return where a sensor stood, in order of time."""
    stood = stretches(site_id)
    rows = session.execute(
        select(stood.c.zone_id, stood.c.from_ms, stood.c.until_ms)
        .where(stood.c.sensor_id == sensor_id)
        .order_by(stood.c.from_ms)
    )
    return [Stay(*row) for row in rows]


def newest_calibration_on(session: Session, sensor_id: int) -> date | None:
    """Return when a sensor was last calibrated; None if never."""
    found: date | None = session.scalar(
        select(func.max(col(SensorOffset.calibrated_on))).where(col(SensorOffset.sensor_id) == sensor_id)
    )
    return found


def offsets(session: Session, sensor_ids: Collection[int]) -> Mapping[int, Offsets]:
    """Return the offsets of sensors that have any."""
    steps: dict[int, list[tuple[int, float]]] = defaultdict(list)
    rows = session.execute(
        select(col(SensorOffset.sensor_id), col(SensorOffset.from_ms), col(SensorOffset.offset_c))
        .where(col(SensorOffset.sensor_id).in_(sorted(set(sensor_ids))))
        .order_by(col(SensorOffset.sensor_id), col(SensorOffset.from_ms), col(SensorOffset.id))
    )
    for sensor_id, from_ms, offset_c in rows:
        steps[sensor_id].append((from_ms, offset_c))
    found: dict[int, Any] = {key: np.array(said, dtype=np.float64).T for key, said in steps.items()}
    return {key: Offsets(table[0], table[1]) for key, table in found.items()}


def places(sensor_id: int) -> Listing:
    """Return the statement for where a sensor was said to stand, and its order."""
    return select(SensorPlace).where(col(SensorPlace.sensor_id) == sensor_id), [col(SensorPlace.id)]


def calibrations(sensor_id: int) -> Listing:
    """Return the statement for a sensor's calibrations, and its order."""
    return select(SensorOffset).where(col(SensorOffset.sensor_id) == sensor_id), [col(SensorOffset.id)]
