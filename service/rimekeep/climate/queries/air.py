"""The air of rooms over time, read into arrays."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby

import numpy as np
from sqlalchemy import case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Air, Joined, Series, air_between, assumed, join
from rimekeep.climate.core.hours import NONE as NO_HOURS
from rimekeep.climate.core.hours import Hours, knots, speaking
from rimekeep.climate.core.offsets import NONE as NO_OFFSETS
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.queries.places import offsets, stretches
from rimekeep.climate.tables import ReadingBooks, Sensor
from rimekeep.errors import missing
from rimekeep.platform.database import Ask, Shelf, courses, epoch_ms
from rimekeep.stock.tables import Zone

HOUR_MS = 3_600_000
# Thinned readings are removed this much later: as long as any reading can stand for the air, so that the air
# after them is drawn as if they were there. [ms]
KEPT_MS = 3 * 86_400_000
# Most sensors have spoken within some weeks of any time; months further away are not opened.
READINGS = Shelf("reading", "site_id", "sensor_id", "at_ms", ("temp_c",), near=20 * 86_400_000)
KEPT_HOURS = Shelf(
    "reading_hour", "site_id", "sensor_id", "hour", ("min_c", "mean_c", "max_c", "heard_s"), near=480
)


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

    Where readings are thinned, their hours stand in for them. Rooms that never heard anything are not in the
    answer.
    """
    from_ms, to_ms = epoch_ms(from_at), epoch_ms(to_at)
    stays = _stays(session, site_id, zone_ids)
    closed_ms = stays[0].closed_ms if stays else None
    first_ms = from_ms if closed_ms is None else max(from_ms, closed_ms)
    # Of what is thinned already the last reading counts: to a window after it as it would otherwise, to one
    # that begins before only after the middle of the last hour.
    before_ms = KEPT_MS if from_ms == first_ms else HOUR_MS // 2 - 1
    heard = _series(session, site_id, stays, first_ms, max(to_ms, first_ms - 1), before_ms)
    joined = {zone_id: join(series) for zone_id, series in heard.items()}
    if closed_ms is None:
        return joined
    for zone_id, of_zone in groupby(stays, key=lambda stay: stay.zone_id):
        raw = joined.get(zone_id)
        if from_ms >= closed_ms and raw is not None and raw.at_s[0] * 1000 <= from_ms:
            continue
        before = knots(_hours(session, site_id, list(of_zone), from_ms, to_ms, closed_ms), closed_ms / 1000)
        if before.at_s.size:
            joined[zone_id] = before if raw is None else before.then(raw)
    return joined


def series_by_zone(
    session: Session,
    site_id: int,
    from_at: datetime,
    to_at: datetime,
    *,
    zone_ids: Collection[int] | None = None,
) -> dict[int, list[Series]]:
    """
    Return what each sensor said of rooms, first in rank first, with its last before and first after.

    Readings one by one only: of a stretch that is thinned there is nothing.
    """
    stays = _stays(session, site_id, zone_ids)
    return _series(session, site_id, stays, epoch_ms(from_at), epoch_ms(to_at), KEPT_MS)


def room_hours(session: Session, site_id: int, zone_id: int, from_at: datetime, to_at: datetime) -> Hours:
    """Return the hours a room's thinned readings left, with the one before and the one after the window."""
    stays = _stays(session, site_id, [zone_id])
    closed_ms = stays[0].closed_ms if stays else None
    return _hours(session, site_id, stays, epoch_ms(from_at), epoch_ms(to_at), closed_ms or 0)


def closed_until(session: Session, site_id: int) -> datetime | None:
    """Return up to when a site's readings are thinned, and settled; None if none are."""
    closed_ms = session.scalar(
        select(col(ReadingBooks.closed_until_ms)).where(col(ReadingBooks.site_id) == site_id)
    )
    return None if closed_ms is None else datetime.fromtimestamp(closed_ms / 1000, UTC)


@dataclass(frozen=True, slots=True)
class _Stay:
    """
    A sensor in one room, from an instant until another, not included.

    And the newest instant it ever spoke of, and until when its site's books are closed.
    """

    zone_id: int
    sensor_id: int
    interval_s: int
    from_ms: int
    until_ms: int
    heard_ms: int
    closed_ms: int | None


def _stays(session: Session, site_id: int, zone_ids: Collection[int] | None) -> list[_Stay]:
    """Return where sensors stood, by room, first in rank first."""
    stood = stretches(site_id)
    closed = select(col(ReadingBooks.closed_until_ms)).where(col(ReadingBooks.site_id) == site_id)
    statement = (
        select(
            stood.c.zone_id,
            stood.c.sensor_id,
            col(Sensor.interval_s),
            stood.c.from_ms,
            stood.c.until_ms,
            case(
                (col(Sensor.heard_ms) > col(Sensor.last_at_ms), col(Sensor.heard_ms)),
                else_=func.coalesce(col(Sensor.last_at_ms), 0),
            ),
            closed.scalar_subquery(),
        )
        .join(stood, stood.c.sensor_id == col(Sensor.id))
        .order_by(stood.c.zone_id, col(Sensor.rank), col(Sensor.id), stood.c.from_ms)
    )
    if zone_ids is not None:
        statement = statement.where(stood.c.zone_id.in_(sorted(zone_ids)))
    return [_Stay(*row) for row in session.execute(statement)]


def _series(
    session: Session, site_id: int, stays: Sequence[_Stay], first_ms: int, last_ms: int, before_ms: int
) -> dict[int, list[Series]]:
    """
    Return what each sensor said during its stays.

    Readings that are thinned count up to ``before_ms`` before the rest only: older ones may be gone already.
    """
    asked = []
    for stay in stays:
        counted_ms = stay.from_ms
        if stay.closed_ms is not None:
            counted_ms = max(counted_ms, stay.closed_ms - before_ms)
        asked.append(Ask(stay.sensor_id, counted_ms, min(stay.until_ms - 1, stay.heard_ms)))
    said = courses(session, READINGS, site_id, asked, first_ms, last_ms)
    added = offsets(session, {stay.sensor_id for stay in stays})
    series: dict[int, list[Series]] = defaultdict(list)
    for (zone_id, sensor_id), pairs in groupby(
        zip(stays, said, strict=True), key=lambda pair: (pair[0].zone_id, pair[0].sensor_id)
    ):
        of_sensor = list(pairs)
        table = _nearest(np.concatenate([part for _, part in of_sensor], axis=1), first_ms, last_ms)
        if table.size:
            true_c = added.get(sensor_id, NO_OFFSETS).applied(table[0], table[1])
            stay = of_sensor[-1][0]
            newest_s = min(stay.until_ms - 1, stay.heard_ms) / 1000
            series[zone_id].append(
                Series(sensor_id, float(stay.interval_s), table[0] / 1000, true_c, newest_s)
            )
    return dict(series)


def _nearest(table: FloatArray, first: int, last: int) -> FloatArray:
    """Leave of what comes before and after the window only the nearest: every stay brings its own."""
    start = max(int(np.searchsorted(table[0], first)) - 1, 0)
    return table[:, start : int(np.searchsorted(table[0], last, side="right")) + 1]


def _hours(
    session: Session, site_id: int, stays: Sequence[_Stay], from_ms: int, to_ms: int, closed_ms: int
) -> Hours:
    """Return what is kept of a room's thinned hours, by the middle of each, with one before and one after."""
    if not stays:
        return NO_HOURS
    end = closed_ms // HOUR_MS
    first = min(_from_middle(from_ms), end)
    last = min(_from_middle(to_ms + 1), end) - 1
    asked = [
        Ask(stay.sensor_id, _from_middle(stay.from_ms), min(_from_middle(stay.until_ms), end) - 1)
        for stay in stays
    ]
    ranked = []
    for stay, table in zip(stays, courses(session, KEPT_HOURS, site_id, asked, first, last), strict=True):
        sensors = np.full(table.shape[1], stay.sensor_id, dtype=np.int64)
        low, mean, high, heard = table[1:]
        ranked.append(Hours(table[0].astype(np.int64), low, mean, high, heard, sensors))
    kept = speaking(ranked)
    start = max(int(np.searchsorted(kept.hour, first)) - 1, 0)
    stop = int(np.searchsorted(kept.hour, last, side="right")) + 1
    return kept.only(np.arange(start, min(stop, kept.hour.size)))


def _from_middle(at_ms: int) -> int:
    """Return the first hour whose middle is at or after an instant."""
    return -((HOUR_MS // 2 - at_ms) // HOUR_MS)
