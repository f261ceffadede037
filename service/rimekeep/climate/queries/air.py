"""The air of rooms over time, read into arrays."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from datetime import datetime
from itertools import chain

import numpy as np
from sqlalchemy import func, select, tuple_
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Air, Joined, Series, air_between, assumed, join
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.errors import missing
from rimekeep.platform.database import epoch_ms
from rimekeep.stock.tables import Zone


def zone_air(session: Session, site_id: int, zone_id: int, from_at: datetime, to_at: datetime) -> Air:
    """Return the air of one room between two instants."""
    return zone_airs(session, site_id, {zone_id: (from_at, to_at)})[zone_id]


def zone_airs(
    session: Session, site_id: int, windows: Mapping[int, tuple[datetime, datetime]]
) -> dict[int, Air]:
    """
    Return the air of rooms, each over its own window.

    A room without a single reading gets its planned temperature, marked as bridged throughout.
    """
    if not windows:
        return {}
    planned = _planned(session, site_id, windows)
    first = min(from_at for from_at, _ in windows.values())
    last = max(to_at for _, to_at in windows.values())
    joined = joined_by_zone(session, site_id, first, last, zone_ids=windows.keys())
    airs = {}
    for zone_id, (from_at, to_at) in windows.items():
        from_s, to_s = from_at.timestamp(), to_at.timestamp()
        heard = joined.get(zone_id)
        airs[zone_id] = (
            assumed(from_s, to_s, planned[zone_id]) if heard is None else air_between(heard, from_s, to_s)
        )
    return airs


def _planned(session: Session, site_id: int, zone_ids: Collection[int]) -> dict[int, float]:
    rows = session.execute(
        select(col(Zone.id), col(Zone.planned_c)).where(
            col(Zone.site_id) == site_id, col(Zone.id).in_(sorted(zone_ids))
        )
    )
    planned = {row[0]: row[1] for row in rows}
    for zone_id in zone_ids:
        if zone_id not in planned:
            raise missing("zone", zone_id)
    return planned


def joined_by_zone(
    session: Session,
    site_id: int,
    from_at: datetime,
    to_at: datetime,
    *,
    zone_ids: Collection[int] | None = None,
) -> dict[int, Joined]:
    """
    Return the readings rooms' air is made of, with each sensor's last before and first after the window.

    Rooms that never heard anything are not in the answer.
    """
    from_ms, to_ms = epoch_ms(from_at), epoch_ms(to_at)
    of_sensor = (col(Reading.site_id) == site_id) & (col(Reading.sensor_id) == col(Sensor.id))
    before = select(func.max(col(Reading.at_ms))).where(of_sensor, col(Reading.at_ms) < from_ms)
    after = select(func.min(col(Reading.at_ms))).where(of_sensor, col(Reading.at_ms) > to_ms)
    statement = (
        select(
            col(Sensor.id),
            col(Sensor.zone_id),
            col(Sensor.interval_s),
            before.correlate(Sensor).scalar_subquery(),
            after.correlate(Sensor).scalar_subquery(),
        )
        .where(col(Sensor.site_id) == site_id)
        .order_by(col(Sensor.zone_id), col(Sensor.rank), col(Sensor.id))
    )
    if zone_ids is not None:
        statement = statement.where(col(Sensor.zone_id).in_(sorted(zone_ids)))
    ranked = session.execute(statement).all()
    said = _said(session, site_id, [row[0] for row in ranked], from_ms, to_ms)
    edges = [(row[0], at_ms) for row in ranked for at_ms in row[3:] if at_ms is not None]
    around = _at_instants(session, site_id, edges)
    series: dict[int, list[Series]] = defaultdict(list)
    for sensor_id, zone_id, interval_s, before_ms, after_ms in ranked:
        at_ms, temp_c = said.get(sensor_id, (np.empty(0), np.empty(0)))
        for edge_ms, place in ((before_ms, 0), (after_ms, at_ms.size + (before_ms is not None))):
            if edge_ms is not None:
                at_ms = np.insert(at_ms, place, edge_ms)
                temp_c = np.insert(temp_c, place, around[sensor_id, edge_ms])
        if at_ms.size:
            series[zone_id].append(Series(sensor_id, float(interval_s), at_ms / 1000, temp_c))
    return {zone_id: join(heard) for zone_id, heard in series.items()}


def _said(
    session: Session, site_id: int, sensor_ids: list[int], from_ms: int, to_ms: int
) -> dict[int, tuple[FloatArray, FloatArray]]:
    rows = session.execute(
        select(col(Reading.sensor_id), col(Reading.at_ms), col(Reading.temp_c))
        .where(col(Reading.site_id) == site_id, col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at_ms) >= from_ms, col(Reading.at_ms) <= to_ms)
        .order_by(col(Reading.sensor_id), col(Reading.at_ms))
    ).all()
    if not rows:
        return {}
    # Milliseconds since 1970 are whole numbers far below 2**53, so doubles hold them exactly.
    table = np.fromiter(chain.from_iterable(rows), dtype=np.float64, count=3 * len(rows)).reshape(-1, 3)
    starts = np.flatnonzero(np.diff(table[:, 0], prepend=-1.0))
    parts = np.split(table, starts[1:])
    return {int(part[0, 0]): (part[:, 1], part[:, 2]) for part in parts}


def _at_instants(session: Session, site_id: int, keys: list[tuple[int, int]]) -> dict[tuple[int, int], float]:
    if not keys:
        return {}
    rows = session.execute(
        select(col(Reading.sensor_id), col(Reading.at_ms), col(Reading.temp_c)).where(
            col(Reading.site_id) == site_id, tuple_(col(Reading.sensor_id), col(Reading.at_ms)).in_(keys)
        )
    )
    return {(row[0], row[1]): row[2] for row in rows}
