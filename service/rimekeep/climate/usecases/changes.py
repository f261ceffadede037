"""Leave word that what a room's air was has changed."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import Table, delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries
from rimekeep.climate.core.changes import Changed, stretch_of
from rimekeep.climate.tables import AirChange
from rimekeep.platform.database import epoch_ms, parts
from rimekeep.platform.straight import Rows, ask

CHANGES: Table = AirChange.__table__  # type: ignore[attr-defined]
ADD_CHANGES = Rows(CHANGES, ("site_id", "zone_id", "from_ms", "until_ms"))


def note_changes(session: Session, now: datetime, site_id: int, changed: Sequence[Changed]) -> None:
    """Add one row per room, reaching over all that changed in it; nobody waits for anybody here."""
    by_zone: defaultdict[int, list[Changed]] = defaultdict(list)
    for one in changed:
        by_zone[one.zone_id].append(one)
    if not by_zone:
        return
    company = queries.company(session, by_zone)
    rows = []
    for zone_id, ones in sorted(by_zone.items()):
        found = stretch_of(ones, company.get(zone_id), epoch_ms(now))
        from_ms, until_ms = found.from_ms, found.until_ms
        if found.asks_before:
            spoke_ms = queries.nearest(session, site_id, zone_id, found.first_ms, is_before=True)
            from_ms = from_ms if spoke_ms is None else min(from_ms, spoke_ms - found.reach_ms)
        if found.asks_after:
            spoke_ms = queries.nearest(session, site_id, zone_id, found.last_ms, is_before=False)
            until_ms = until_ms if spoke_ms is None else max(until_ms, spoke_ms)
        rows.append((site_id, zone_id, from_ms, until_ms))
    ask(session, ADD_CHANGES, rows)


def by_stay(session: Session, site_id: int, changed: Sequence[Changed]) -> Iterator[Changed]:
    """Yield what has changed once for every room the sensor stood in meanwhile."""
    if not changed:
        return
    stood = queries.stretches(site_id)
    stays: defaultdict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for sensor_id, zone_id, from_ms, until_ms in session.execute(
        select(stood.c.sensor_id, stood.c.zone_id, stood.c.from_ms, stood.c.until_ms)
        .where(stood.c.sensor_id.in_(sorted({one.sensor_id for one in changed})))
        .order_by(stood.c.sensor_id, stood.c.from_ms)
    ):
        stays[sensor_id].append((zone_id, from_ms, until_ms))
    for one in changed:
        for zone_id, from_ms, until_ms in stays[one.sensor_id]:
            if from_ms <= one.last_ms and one.first_ms < until_ms:
                yield replace(
                    one,
                    zone_id=zone_id,
                    first_ms=max(one.first_ms, from_ms),
                    last_ms=min(one.last_ms, until_ms - 1),
                    before_ms=_inside(one.before_ms, from_ms, until_ms),
                    after_ms=_inside(one.after_ms, from_ms, until_ms),
                    is_moved=len(stays[one.sensor_id]) > 1,
                )


def _inside(at_ms: int | None, from_ms: int, until_ms: int) -> int | None:
    return at_ms if at_ms is not None and from_ms <= at_ms < until_ms else None


def forget_air_changes(session: Session, ids: Collection[int]) -> None:
    """Remove changes that have been worked off."""
    for piece in parts(ids):
        session.execute(delete(AirChange).where(col(AirChange.id).in_(piece)))
