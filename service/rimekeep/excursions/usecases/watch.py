"""
Sensors that cannot be relied on: silent ones, and those whose calibration is overdue.

A vehicle's sensor may sleep while nothing is on board.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.excursions import queries
from rimekeep.excursions.core.states import ExcursionKind, Severity
from rimekeep.excursions.queries import Road, WatchedSensor
from rimekeep.excursions.tables import Excursion
from rimekeep.excursions.usecases.follow import Checked, Subject, end, open_of
from rimekeep.shelflife.core.label import label_end


def check_sensors(
    session: Session,
    now: datetime,
    site_id: int,
    zone_ids: Collection[int] | None,
    sensors: Sequence[WatchedSensor],
    road: Road,
    done: Checked,
) -> None:
    """Open and end what is wrong with sensors themselves."""
    by_id = {sensor.id: sensor for sensor in sensors}
    awake = {
        key: sensor
        for key, sensor in by_id.items()
        if sensor.zone_id not in road.zone_ids or road.under_way(sensor.zone_id) is not None
    }
    _check_silent(session, now, site_id, zone_ids, awake, road, done)
    _check_calibration(session, now, site_id, zone_ids, by_id, done)


def _check_silent(
    session: Session,
    now: datetime,
    site_id: int,
    zone_ids: Collection[int] | None,
    sensors: Mapping[int, WatchedSensor],
    road: Road,
    done: Checked,
) -> None:
    running = {}
    for row in queries.known_of_sensors(session, site_id, ExcursionKind.SILENT, now, zone_ids):
        sensor = sensors.get(row.sensor_id or 0)
        if row.ended_at is not None:
            continue
        trip = None if sensor is None else road.under_way(sensor.zone_id)
        if sensor is None or row.trip_id != (trip and trip.trip_id):
            end(row, _over_at(road, row, now), done)  # nobody listens to it any more
        elif sensor.heard_at > row.started_at:
            end(row, sensor.heard_at, done)
        else:
            running[sensor.id] = row
            done.running.append(row)
    # On a truck nothing is missed of what came before the goods.
    begun = {key: trip.from_at for key in road.zone_ids if (trip := road.under_way(key)) is not None}
    late = {one.id: begun[one.zone_id] - one.heard_at for one in sensors.values() if one.zone_id in begun}
    after = {key: max(wait, timedelta()) for key, wait in late.items()}
    missed = [
        one
        for one in sensors.values()
        if now > one.missed_at + after.get(one.id, timedelta()) and one.id not in running
    ]
    over = _last_over(session, [sensor.id for sensor in missed])
    for sensor in missed:
        # A reading struck out makes its sensor silent for longer than it was: that is told once.
        wait = after.get(sensor.id, timedelta())
        started_at = max(sensor.heard_at + wait, over.get(sensor.id, sensor.heard_at))
        trip = road.under_way(sensor.zone_id)
        subject = _of_sensor(site_id, sensor, ExcursionKind.SILENT, None if trip is None else trip.trip_id)
        row = open_of(now, subject, started_at, max(sensor.missed_at + wait, started_at))
        session.add(row)
        done.opened.append(row)


def _over_at(road: Road, row: Excursion, now: datetime) -> datetime:
    """Return when a sensor's silence was no longer anybody's concern: when its trip ended, or now."""
    ends = [one.until_at for one in road.by_trip(row.zone_id).get(row.trip_id or 0, ())]
    return ends[-1] or now if ends else now


def _last_over(session: Session, wanted: Sequence[int]) -> dict[int, datetime]:
    if not wanted:
        return {}
    rows = session.execute(
        select(col(Excursion.sensor_id), func.max(col(Excursion.ended_at)))
        .where(col(Excursion.sensor_id).in_(wanted), col(Excursion.kind) == ExcursionKind.SILENT)
        .group_by(col(Excursion.sensor_id))
    )
    return {row[0]: row[1] for row in rows if row[0] is not None and row[1] is not None}


def _check_calibration(
    session: Session,
    now: datetime,
    site_id: int,
    zone_ids: Collection[int] | None,
    sensors: Mapping[int, WatchedSensor],
    done: Checked,
) -> None:
    """Warn, once for each sensor and day it was due, of an overdue calibration; the day counts whole."""
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    overdue: dict[int, datetime] = {}
    for key, sensor in sensors.items():
        since_at = None if sensor.calibration_due_on is None else label_end(sensor.calibration_due_on, zone)
        if since_at is not None and since_at <= now:
            overdue[key] = since_at
    warned = _warned_of(session, overdue)
    for row in queries.known_of_sensors(session, site_id, ExcursionKind.CALIBRATION, now, zone_ids):
        if row.ended_at is None and overdue.get(row.sensor_id or 0) == row.started_at:
            done.running.append(row)
        elif row.ended_at is None:
            end(row, now, done)
    for sensor_id, since_at in overdue.items():
        if (sensor_id, since_at) not in warned:
            subject = _of_sensor(site_id, sensors[sensor_id], ExcursionKind.CALIBRATION)
            row = open_of(now, subject, since_at, since_at)
            session.add(row)
            done.opened.append(row)


def _warned_of(session: Session, overdue: Mapping[int, datetime]) -> set[tuple[int | None, datetime]]:
    if not overdue:
        return set()
    rows = session.execute(
        select(col(Excursion.sensor_id), col(Excursion.started_at)).where(
            col(Excursion.sensor_id).in_(sorted(overdue)), col(Excursion.kind) == ExcursionKind.CALIBRATION
        )
    )
    return {(row[0], row[1]) for row in rows}


def _of_sensor(
    site_id: int, sensor: WatchedSensor, kind: ExcursionKind, trip_id: int | None = None
) -> Subject:
    return Subject(
        site_id, sensor.zone_id, kind, Severity.WARNING, None, None, sensor_id=sensor.id, trip_id=trip_id
    )
