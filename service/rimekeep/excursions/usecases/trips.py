"""What whoever runs the trips has to say about them, and what an excursion means for goods that come back."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.excursions import queries
from rimekeep.excursions.core.decisions import Stopped, may_go
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.words import hold_reason
from rimekeep.excursions.tables import ExcursionContent, ExcursionHold, TripWatch
from rimekeep.platform.database import insert_new, parts
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.tables import UnitContent


def watch_trip(
    session: Session,
    from_at: datetime,
    site_id: int,
    *,
    zone_id: int,
    trip_id: int,
    vehicle: str,
    drops: Sequence[dict[str, Any]],
) -> None:
    """
    Watch a vehicle's air from now on, as goods of a trip are on board. Saying so again changes nothing.

    ``drops`` holds, in order of delivery, ``drop``, ``customer``, ``name`` and ``unit_ids`` of each. An
    earlier trip of the vehicle that nobody ended is over.
    """
    running = session.scalars(
        select(TripWatch)
        .where(col(TripWatch.site_id) == site_id, col(TripWatch.zone_id) == zone_id)
        .where(col(TripWatch.until_at).is_(None))
        .with_for_update()
    ).one_or_none()
    if running is not None and running.trip_id == trip_id:
        return
    if running is not None:
        running.until_at = max(from_at, running.from_at)
        # The one that runs is told by having no end: it has to be closed before the next begins.
        session.flush()
    session.add(
        TripWatch(
            site_id=site_id,
            zone_id=zone_id,
            trip_id=trip_id,
            vehicle=vehicle,
            from_at=from_at,
            drops=list(drops),
        )
    )
    session.flush()


def end_trip_watch(session: Session, at: datetime, site_id: int, *, trip_id: int) -> None:
    """
    Watch a vehicle's air no longer: the last goods of the trip are off.

    An end already noted is only brought forward.
    """
    watches = queries.trip_watches(session, site_id, trip_id)
    if watches and (watches[-1].until_at is None or watches[-1].until_at > at):
        watches[-1].until_at = max(at, watches[-1].from_at)
        session.flush()


def hold_returned(
    session: Session, now: datetime, site_id: int, *, trip_id: int, unit_ids: Collection[int], actor_id: int
) -> set[int]:
    """
    Put units back from a trip on hold if an excursion touched them on it, even if its rule holds nothing.

    What QA let go meanwhile, every lot for every excursion, is not stopped. Returns the units now waiting for
    the excursions' decisions.
    """
    rows = {
        row.id: row
        for row in queries.excursions_of_trip(session, site_id, trip_id)
        if row.kind != ExcursionKind.CALIBRATION
    }
    touched: dict[int, set[int]] = defaultdict(set)
    lots: dict[int, set[int]] = defaultdict(set)
    for some in parts(unit_ids) if rows else ():
        for excursion_id, unit_id in session.execute(
            select(col(ExcursionContent.excursion_id), col(UnitContent.unit_id))
            .join(UnitContent, col(UnitContent.id) == col(ExcursionContent.content_id))
            .where(col(ExcursionContent.excursion_id).in_(sorted(rows)), col(UnitContent.unit_id).in_(some))
        ):
            touched[unit_id].add(excursion_id)
    for content in stock.contents(session, site_id, unit_ids=list(touched)) if touched else ():
        lots[content.unit_id].add(content.lot_id)
    waiting = [Stopped(key, frozenset(own), frozenset(lots[key])) for key, own in touched.items()]
    free = may_go(waiting, queries.words_of(session, waiting))
    reasons: dict[int, str] = {}
    for unit in waiting:
        if unit.unit_id not in free:
            last = rows[max(unit.excursion_ids)]
            zone = stock.zone(session, site_id, last.zone_id)
            reasons[unit.unit_id] = hold_reason(last.kind, last.limit_c, zone.code, last.id)
    insert_new(
        session,
        ExcursionHold.__table__,  # type: ignore[attr-defined]
        [
            {"excursion_id": key, "unit_id": unit_id, "reason": reason}
            for unit_id, reason in sorted(reasons.items())
            for key in sorted(touched[unit_id])
        ],
    )
    by_reason: dict[str, set[int]] = defaultdict(set)
    for unit_id, reason in reasons.items():
        by_reason[reason].add(unit_id)
    for reason, own in sorted(by_reason.items()):
        stock_usecases.hold_units(session, now, site_id, unit_ids=own, reason=reason, actor_id=actor_id)
    return set(reasons)
