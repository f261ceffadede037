"""The air of a room over long times, in steps: worked through part by part, so that memory stays bounded."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Joined, air_between, assumed
from rimekeep.climate.core.hours import HOUR_S, filled
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.core.steps import Steps, Sums, lines, speakers, step_edges, sums_of_air, sums_of_hours
from rimekeep.climate.queries.air import closed_until, joined_by_zone, room_hours
from rimekeep.climate.queries.places import offsets
from rimekeep.climate.queries.sensors import sensor_codes
from rimekeep.climate.tables import Reading, ReadingCorrection, Sensor
from rimekeep.platform.database import Listing, epoch_ms
from rimekeep.stock import queries as stock

# Readings worked on at once, judged by how often sensors say they report; and, should they report far more
# often, the longest stretch. [-, s]
AT_ONCE = 100_000
LONGEST_S = 92 * 86_400
STEPS_AT_ONCE = 20_000


@dataclass(frozen=True, slots=True)
class History:
    """
    A room's air in steps.

    ``bridged_s`` has shape (m, 2): from and until of what nobody measured, where readings are held one by
    one [s since 1970]. ``sensor_ids`` are those it was read from; ``is_assumed`` says that there is no
    reading at all.
    """

    steps: Steps
    bridged_s: FloatArray
    sensor_ids: tuple[int, ...]
    is_assumed: bool
    thinned_until: datetime | None


def zone_history(
    session: Session, site_id: int, zone_id: int, from_at: datetime, to_at: datetime, step_s: int
) -> History:
    """Return the air of a room in steps; the last one may be shorter."""
    windows = history_windows(session, site_id, zone_id, from_at, to_at, step_s)
    parts = [_part(session, site_id, zone_id, first, last, step_s) for first, last in windows]
    names = ("at_s", "min_c", "mean_c", "max_c", "bridged_s", "thinned_s")
    return History(
        Steps(*(np.concatenate([getattr(part.steps, name) for part in parts]) for name in names)),
        _rejoined(np.concatenate([part.bridged_s for part in parts])),
        tuple(sorted({sensor_id for part in parts for sensor_id in part.sensor_ids})),
        all(part.is_assumed for part in parts),
        parts[0].thinned_until,
    )


def history_windows(
    session: Session, site_id: int, zone_id: int, from_at: datetime, to_at: datetime, step_s: int
) -> list[tuple[datetime, datetime]]:
    """Return the stretches a long window is worked through in, each of whole steps but for the last."""
    zone = stock.zone(session, site_id, zone_id)
    per_second = session.scalar(
        select(func.sum(1.0 / col(Sensor.interval_s))).where(col(Sensor.zone_id) == zone.id)
    )
    longest_s = min(LONGEST_S, AT_ONCE / per_second if per_second else LONGEST_S)
    steps = min(STEPS_AT_ONCE, max(1, int(longest_s / step_s)))
    part = timedelta(seconds=steps * step_s)
    begins = [from_at + number * part for number in range(math.ceil((to_at - from_at) / part))]
    return list(pairwise([*begins, to_at]))


def history_lines(
    session: Session, site_id: int, zone_id: int, from_at: datetime, to_at: datetime, step_s: int
) -> str:
    """Return the air of a room in steps as lines of a table."""
    part = _part(session, site_id, zone_id, from_at, to_at, step_s)
    if part.is_assumed or part.course is None:
        return lines(part.steps, [()] * part.steps.at_s.size, {}, {})
    spoken = speakers(part.course, np.append(part.steps.at_s, to_at.timestamp()))
    sensor_ids = {sensor_id for one in spoken for sensor_id in one}
    return lines(part.steps, spoken, sensor_codes(session, site_id, sensor_ids), offsets(session, sensor_ids))


@dataclass(frozen=True, slots=True)
class _Part(History):
    """One stretch of it, and the course it was made from."""

    course: Joined | None = None


def _part(
    session: Session, site_id: int, zone_id: int, from_at: datetime, to_at: datetime, step_s: int
) -> _Part:
    first, last = from_at.timestamp(), to_at.timestamp()
    edges = step_edges(first, last, step_s)
    closed_at = closed_until(session, site_id)
    closed = min(max(closed_at.timestamp() if closed_at else first, first), last)
    course = _course(session, site_id, zone_id, first, last)
    if course is None:
        air = assumed(first, last, stock.zone(session, site_id, zone_id).planned_c)
        return _Part(sums_of_air(air, edges).steps(edges), air.bridged_s, (), True, closed_at)
    sums: list[Sums] = []
    bridged: FloatArray = np.empty((0, 2))
    sensor_ids: set[int] = set()
    if closed > first:
        kept = room_hours(session, site_id, zone_id, from_at, datetime.fromtimestamp(closed, UTC))
        hours = filled(kept, course, int(first // HOUR_S), int(np.ceil(closed / HOUR_S)))
        sums.append(sums_of_hours(hours, edges, closed))
        sensor_ids |= set(np.unique(hours.sensor_id[hours.heard_s > 0]).tolist())
    if closed < last:
        # Readings are joined as if the window began with them: a step after thinned ones is what it was.
        raw = course if closed == first else _course(session, site_id, zone_id, closed, last) or course
        air = air_between(raw, closed, last)
        sums.append(sums_of_air(air, edges))
        bridged = air.bridged_s
        sensor_ids |= set(air.sensor_ids)
    total = sums[0] if len(sums) == 1 else sums[0].plus(sums[1])
    return _Part(total.steps(edges), bridged, tuple(sorted(sensor_ids)), False, closed_at, course)


def _course(session: Session, site_id: int, zone_id: int, first_s: float, last_s: float) -> Joined | None:
    from_at, to_at = (datetime.fromtimestamp(at_s, UTC) for at_s in (first_s, last_s))
    return joined_by_zone(session, site_id, from_at, to_at, zone_ids=[zone_id]).get(zone_id)


def _rejoined(stretches: FloatArray) -> FloatArray:
    """Put stretches together again that a part's edge has cut."""
    if not stretches.size:
        return stretches
    begins = np.append(True, stretches[1:, 0] > stretches[:-1, 1])
    ends = np.append(begins[1:], True)
    return np.column_stack([stretches[begins, 0], stretches[ends, 1]])


def held_readings(
    site_id: int, sensor_id: int, from_at: datetime | None, until_at: datetime | None
) -> Listing:
    """Return the statement for what is held of a sensor reading by reading, and its order."""
    correction = select(col(ReadingCorrection.id)).where(
        col(ReadingCorrection.sensor_id) == col(Reading.sensor_id),
        col(ReadingCorrection.at_ms) == col(Reading.at_ms),
    )
    columns: tuple[Any, ...] = (
        col(Reading.at_ms).label("at_ms"),
        col(Reading.temp_c),
        col(Reading.received_at_ms),
        correction.exists().label("is_corrected"),
    )
    statement: Select[Any] = select(*columns).where(
        col(Reading.site_id) == site_id, col(Reading.sensor_id) == sensor_id
    )
    if from_at is not None:
        statement = statement.where(col(Reading.at_ms) >= epoch_ms(from_at))
    if until_at is not None:
        statement = statement.where(col(Reading.at_ms) < epoch_ms(until_at))
    return statement, [col(Reading.at_ms)]
