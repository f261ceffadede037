"""Thin old readings: hours stay in their place, and after that the site's books up to then are closed."""

from datetime import UTC, datetime, timedelta

from sqlalchemy import Table, delete, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries
from rimekeep.climate.core.hours import thinned
from rimekeep.climate.queries.air import KEPT_MS
from rimekeep.climate.tables import Reading, ReadingBooks, ReadingHour, Sensor
from rimekeep.platform.database import (
    drop_months,
    ensure_months,
    epoch_ms,
    insert_numbers,
    is_sqlite,
    upsert,
)
from rimekeep.platform.journal import Event, record

DAY_MS = 86_400_000
# Readings thinned in one transaction: sensors are locked meanwhile, and gateways wait.
AT_ONCE = 20_000
MOST_DAYS = 31
# Months made ahead of time, this one included.
MONTHS_AHEAD = 3
# Some site has readings there that are not thinned, or not long enough.
STILL_WANTED = (
    "SELECT 1 FROM site LEFT JOIN reading_books AS books ON books.site_id = site.id"  # noqa: S608 - our own
    " WHERE EXISTS (SELECT 1 FROM {table} AS reading WHERE reading.site_id = site.id"
    f" AND reading.at_ms >= coalesce(books.closed_until_ms, 0) - {KEPT_MS}) LIMIT 1"
)


def thin_readings(
    session: Session, now: datetime, site_id: int, *, keep_days: int, not_after: datetime
) -> datetime | None:
    """
    Thin some of a site's readings older than ``keep_days``; return up to when, None if nothing was to do.

    Call it, each time in a new transaction, until it returns None. What is kept of every sensor and hour is
    exact: least, mean over time and greatest of its course.

    Parameters
    ----------
    session
        A transaction of its own.
    now
        The present.
    site_id
        Whose readings.
    keep_days
        How long readings are kept one by one; 0 is for ever. [days]
    not_after
        Readings from here on are still needed one by one, whatever their age.
    """
    if keep_days <= 0:
        return None
    # Whoever takes readings in holds its sensors' rows, so nothing can arrive for what is being thinned.
    sensor_ids = list(
        session.scalars(
            select(col(Sensor.id))
            .where(col(Sensor.site_id) == site_id)
            .order_by(col(Sensor.id))
            .with_for_update()
        )
    )
    limit_ms = epoch_ms(min(now - timedelta(days=keep_days), not_after)) // DAY_MS * DAY_MS
    from_ms = _closed_ms(session, site_id) or _first_day_ms(session, site_id, sensor_ids)
    if from_ms is None or from_ms >= limit_ms:
        return None
    until_ms = min(limit_ms, from_ms + _days_at_once(session, site_id) * DAY_MS)
    kept, next_ms = _keep_hours(session, site_id, from_ms, until_ms)
    if not kept:
        # Nothing was measured for a while: go on where readings are.
        until_ms = min(limit_ms, max(until_ms, (next_ms or limit_ms) // DAY_MS * DAY_MS))
    closed = {"site_id": site_id, "closed_until_ms": until_ms}
    upsert(session, ReadingBooks.__table__, [closed], keys=["site_id"])  # type: ignore[attr-defined]
    _remove(session, site_id, sensor_ids, until_ms - KEPT_MS)
    until_at = datetime.fromtimestamp(until_ms / 1000, UTC)
    if kept:
        from_at = datetime.fromtimestamp(from_ms / 1000, UTC)
        data = {"from": from_at.isoformat(), "until": until_at.isoformat(), "hours": kept}
        record(session, site_id, Event("readings.thinned", now, data=data))
    return until_at


def drop_thinned_months(session: Session) -> int:
    """
    Drop the months of readings that every site has thinned; return how many. On SQLite rows are long gone.

    Wants a transaction of its own.
    """
    latest_ms = session.scalar(select(func.max(col(ReadingBooks.closed_until_ms))))
    if latest_ms is None:
        return 0
    table: Table = Reading.__table__  # type: ignore[attr-defined]
    return drop_months(session, table, latest_ms - KEPT_MS, unless=STILL_WANTED)


def prepare_months(session: Session, now: datetime) -> None:
    """Make a place for the readings of this month and of the next ones, before the first of them comes."""
    ahead = [epoch_ms(now + timedelta(days=28 * number)) for number in range(MONTHS_AHEAD)]
    ensure_months(session, Reading.__table__, ahead)  # type: ignore[attr-defined]


def _closed_ms(session: Session, site_id: int) -> int | None:
    closed_at = queries.closed_until(session, site_id)
    return None if closed_at is None else epoch_ms(closed_at)


def _first_day_ms(session: Session, site_id: int, sensor_ids: list[int]) -> int | None:
    # One look at the key's beginning for each sensor; over all of them at once every reading would be read.
    firsts = [
        session.scalar(
            select(func.min(col(Reading.at_ms))).where(
                col(Reading.site_id) == site_id, col(Reading.sensor_id) == sensor_id
            )
        )
        for sensor_id in sensor_ids
    ]
    known = [at_ms for at_ms in firsts if at_ms is not None]
    return min(known) // DAY_MS * DAY_MS if known else None


def _days_at_once(session: Session, site_id: int) -> int:
    per_day = session.scalar(
        select(func.sum(86_400.0 / col(Sensor.interval_s))).where(col(Sensor.site_id) == site_id)
    )
    return max(1, min(MOST_DAYS, int(AT_ONCE / per_day))) if per_day else MOST_DAYS


def _keep_hours(session: Session, site_id: int, from_ms: int, until_ms: int) -> tuple[int, int | None]:
    """Store the hours of a stretch; return how many, and the time of the first reading after it."""
    from_at, until_at = (datetime.fromtimestamp(at_ms / 1000, UTC) for at_ms in (from_ms, until_ms))
    heard = queries.series_by_zone(session, site_id, from_at, until_at)
    rows: dict[tuple[int, int], tuple[float, ...]] = {}
    next_ms: int | None = None
    for series in (one for ranked in heard.values() for one in ranked):
        if series.at_s[-1] * 1000 >= until_ms:
            after = int(series.at_s.searchsorted(until_ms / 1000))
            after_ms = round(float(series.at_s[after]) * 1000)
            next_ms = after_ms if next_ms is None else min(next_ms, after_ms)
        hours, counts = thinned(series, from_ms / 1000, until_ms / 1000)
        columns = (hours.hour, hours.min_c, hours.mean_c, hours.max_c, hours.heard_s, counts)
        for hour, *figures in zip(*(column.tolist() for column in columns), strict=True):
            key = (series.sensor_id, hour)
            # A sensor that was moved within the hour: the room it heard longer has it.
            if key not in rows or rows[key][3] < figures[3]:
                rows[key] = tuple(figures)
    if rows:
        names = ("min_c", "mean_c", "max_c", "heard_s", "readings")
        insert_numbers(
            session,
            ReadingHour.__table__,  # type: ignore[attr-defined]
            {
                "site_id": [site_id] * len(rows),
                "sensor_id": [key[0] for key in rows],
                "hour": [key[1] for key in rows],
                **{name: [figures[place] for figures in rows.values()] for place, name in enumerate(names)},
            },
        )
    return len(rows), next_ms


def _remove(session: Session, site_id: int, sensor_ids: list[int], before_ms: int) -> None:
    # On PostgreSQL whole months are dropped; until then nobody looks at what is left of them.
    if not is_sqlite(session):
        return
    for sensor_id in sensor_ids:
        session.execute(
            delete(Reading).where(
                col(Reading.site_id) == site_id,
                col(Reading.sensor_id) == sensor_id,
                col(Reading.at_ms) < before_ms,
            ),
            execution_options={"synchronize_session": False},
        )
