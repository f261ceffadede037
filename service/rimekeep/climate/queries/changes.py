"""Which stretches of rooms' air have changed, and what decides how far a change reaches."""

from collections.abc import Collection

from sqlalchemy import Table, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.changes import AirStretch, Company
from rimekeep.climate.queries.places import stretches
from rimekeep.climate.tables import AirChange, Reading, Sensor, SensorPlace
from rimekeep.platform.straight import Among, Prepared, ask

PLACES: Table = SensorPlace.__table__  # type: ignore[attr-defined]


def air_changes(session: Session, site_id: int) -> list[AirStretch]:
    """Return the changes of the site's air nobody has worked off yet, the oldest first."""
    rows = session.execute(
        select(
            col(AirChange.id),
            col(AirChange.site_id),
            col(AirChange.zone_id),
            col(AirChange.from_ms),
            col(AirChange.until_ms),
        )
        .where(col(AirChange.site_id) == site_id)
        .order_by(col(AirChange.id))
    )
    return [AirStretch(*row) for row in rows]


# Every batch of readings runs it.
_COMPANY = Prepared(
    select(col(SensorPlace.zone_id), func.max(col(Sensor.interval_s)), func.max(col(Sensor.last_at_ms)))
    .join(Sensor, col(Sensor.id) == col(SensorPlace.sensor_id))
    .where(Among(PLACES.c.zone_id, "zone_ids"))
    .group_by(col(SensorPlace.zone_id))
    .having(func.count() > 1)
)


def company(session: Session, zone_ids: Collection[int]) -> dict[int, Company]:
    """Return who speaks or ever spoke for those rooms that had more than one sensor, or one that moved."""
    rows = ask(session, _COMPANY, {"zone_ids": list(zone_ids)})
    return {row[0]: Company(row[1], row[2]) for row in rows}


def nearest(session: Session, site_id: int, zone_id: int, at_ms: int, *, is_before: bool) -> int | None:
    """Return when any sensor spoke of a room last before an instant, or first after it. [ms since 1970]"""
    stood = stretches(site_id)
    at = col(Reading.at_ms)
    spoke = (
        select(func.max(at) if is_before else func.min(at))
        .where(
            col(Reading.site_id) == site_id,
            col(Reading.sensor_id) == stood.c.sensor_id,
            at >= stood.c.from_ms,
            at < stood.c.until_ms,
            at < at_ms if is_before else at > at_ms,
        )
        .correlate(stood)
        .scalar_subquery()
    )
    each = select(spoke.label("at_ms")).where(stood.c.zone_id == zone_id).subquery("each")
    found: int | None = session.scalar(
        select(func.max(each.c.at_ms) if is_before else func.min(each.c.at_ms))
    )
    return found
