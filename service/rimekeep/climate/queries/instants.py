"""What is known about single instants of sensors, and what lies around them."""

from collections import defaultdict
from collections.abc import Sequence

from sqlalchemy import Table, func, select, tuple_
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.intake import Known
from rimekeep.climate.core.quarantine import RECENT_S
from rimekeep.climate.tables import QuarantinedReading, Reading, ReadingCorrection, Sensor
from rimekeep.platform.database import Listing, pairs

READINGS: Table = Reading.__table__  # type: ignore[attr-defined]
RECENT_MS = round(RECENT_S * 1000)
# A sensor and an instant. [ms since 1970]
Key = tuple[int, int]


def known_instants(session: Session, site_id: int, keys: Sequence[Key]) -> dict[Key, Known]:
    """Return what is known about instants, if anything is: held, struck out, corrected, in quarantine."""
    if not keys:
        return {}
    found: defaultdict[Key, Known] = defaultdict(Known)
    asked = pairs(session, keys)
    for key, temp_c in held(session, site_id, keys).items():
        found[key].held_c = temp_c
    corrected = tuple_(col(ReadingCorrection.sensor_id), col(ReadingCorrection.at_ms))
    for sensor_id, at_ms, before_c, after_c in session.execute(
        select(
            col(ReadingCorrection.sensor_id),
            col(ReadingCorrection.at_ms),
            col(ReadingCorrection.before_c),
            col(ReadingCorrection.after_c),
        )
        .where(corrected.in_(asked))
        .order_by(col(ReadingCorrection.id))
    ):
        known = found[sensor_id, at_ms]
        known.is_struck = after_c is None
        if before_c is not None:
            known.said_c.add(before_c)
    waits = tuple_(col(QuarantinedReading.sensor_id), col(QuarantinedReading.at_ms))
    for sensor_id, at_ms, temp_c, outcome in session.execute(
        select(
            col(QuarantinedReading.sensor_id),
            col(QuarantinedReading.at_ms),
            col(QuarantinedReading.temp_c),
            col(QuarantinedReading.outcome),
        ).where(waits.in_(asked))
    ):
        if outcome is None:
            found[sensor_id, at_ms].waiting_c = temp_c
        else:
            found[sensor_id, at_ms].said_c.add(temp_c)
    return dict(found)


def held(session: Session, site_id: int, keys: Sequence[Key]) -> dict[Key, float]:
    """Return the readings held at instants, as they were sent. [°C]"""
    if not keys:
        return {}
    rows = session.execute(
        select(READINGS.c.sensor_id, READINGS.c.at_ms, READINGS.c.temp_c).where(
            READINGS.c.site_id == site_id,
            # Said twice, so that months without any of them are not opened.
            READINGS.c.at_ms.between(min(key[1] for key in keys), max(key[1] for key in keys)),
            tuple_(READINGS.c.sensor_id, READINGS.c.at_ms).in_(pairs(session, keys)),
        )
    )
    return {(row[0], row[1]): row[2] for row in rows}


def held_before(session: Session, site_id: int, keys: Sequence[Key]) -> dict[Key, tuple[int, float]]:
    """Return, for instants that have one, the reading held within the hour before: when and what. [ms, °C]"""
    if not keys:
        return {}
    asked = pairs(session, keys).subquery("asked")
    sensor_id, at_ms = asked.c
    before = (
        select(func.max(READINGS.c.at_ms))
        .where(
            READINGS.c.site_id == site_id,
            READINGS.c.sensor_id == sensor_id,
            READINGS.c.at_ms < at_ms,
            READINGS.c.at_ms > at_ms - RECENT_MS,
            READINGS.c.at_ms > min(key[1] for key in keys) - RECENT_MS,
            READINGS.c.at_ms < max(key[1] for key in keys),
        )
        .correlate(asked)
        .scalar_subquery()
    )
    rows = session.execute(select(sensor_id, at_ms, before)).all()
    before_ms = {(row[0], row[1]): row[2] for row in rows if row[2] is not None}
    values = held(session, site_id, sorted({(key[0], at) for key, at in before_ms.items()}))
    return {key: (at, values[key[0], at]) for key, at in before_ms.items()}


def own_neighbours(
    session: Session, site_id: int, sensor_id: int, first_ms: int, last_ms: int
) -> tuple[int | None, int | None]:
    """Return when a sensor spoke last before a stretch and first after it. [ms since 1970]"""
    of_sensor = (READINGS.c.site_id == site_id) & (READINGS.c.sensor_id == sensor_id)
    before = select(func.max(READINGS.c.at_ms)).where(of_sensor, READINGS.c.at_ms < first_ms)
    after = select(func.min(READINGS.c.at_ms)).where(of_sensor, READINGS.c.at_ms > last_ms)
    row = session.execute(select(before.scalar_subquery(), after.scalar_subquery())).one()
    return row[0], row[1]


def corrections(site_id: int, *, sensor_id: int | None = None) -> Listing:
    """Return the statement for what QA put in place of readings, and its order."""
    statement = (
        select(*ReadingCorrection.__table__.columns, col(Sensor.code).label("sensor"))  # type: ignore[attr-defined]
        .join(Sensor, col(Sensor.id) == col(ReadingCorrection.sensor_id))
        .where(col(ReadingCorrection.site_id) == site_id)
    )
    if sensor_id is not None:
        statement = statement.where(col(ReadingCorrection.sensor_id) == sensor_id)
    return statement, [col(ReadingCorrection.id)]


def quarantine(site_id: int, *, sensor_id: int | None = None, is_settled: bool | None = None) -> Listing:
    """Return the statement for what is or was in quarantine, and its order."""
    statement = (
        select(*QuarantinedReading.__table__.columns, col(Sensor.code).label("sensor"))  # type: ignore[attr-defined]
        .join(Sensor, col(Sensor.id) == col(QuarantinedReading.sensor_id))
        .where(col(QuarantinedReading.site_id) == site_id)
    )
    if sensor_id is not None:
        statement = statement.where(col(QuarantinedReading.sensor_id) == sensor_id)
    if is_settled is not None:
        settled_at = col(QuarantinedReading.settled_at)
        statement = statement.where(settled_at.is_not(None) if is_settled else settled_at.is_(None))
    return statement, [col(QuarantinedReading.id)]


def waiting(session: Session, sensor_ids: Sequence[int]) -> dict[int, list[tuple[int, float]]]:
    """Return what waits in quarantine, by sensor in order of time. [ms, °C as understood]"""
    found: defaultdict[int, list[tuple[int, float]]] = defaultdict(list)
    rows = session.execute(
        select(
            col(QuarantinedReading.sensor_id), col(QuarantinedReading.at_ms), col(QuarantinedReading.temp_c)
        )
        .where(
            col(QuarantinedReading.sensor_id).in_(sorted(sensor_ids)),
            col(QuarantinedReading.settled_at).is_(None),
        )
        .order_by(col(QuarantinedReading.sensor_id), col(QuarantinedReading.at_ms))
    )
    for sensor_id, at_ms, temp_c in rows:
        found[sensor_id].append((at_ms, temp_c))
    return dict(found)
