"""Excursions, one and many."""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.excursions.core.detection import LOOK_BACK
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.platform.database import Listing
from rimekeep.stock.tables import Zone


def excursion(session: Session, site_id: int, excursion_id: int, *, is_locked: bool = False) -> Excursion:
    """Return an excursion of the site; locked, nobody else changes it until this transaction ends."""
    found = session.get(
        Excursion, excursion_id, with_for_update=is_locked or None, populate_existing=is_locked
    )
    if found is None or found.site_id != site_id:
        raise missing("excursion", excursion_id)
    return found


def excursions(
    site_id: int, *, zone_id: int | None = None, trip_id: int | None = None, is_open: bool | None = None
) -> Listing:
    """Return the statement for the site's excursions, each with its room's code, and its order."""
    statement = (
        select(
            *Excursion.__table__.columns,  # type: ignore[attr-defined]
            col(Zone.code).label("zone_code"),
            col(ExcursionRule.name).label("rule_name"),
        )
        .join(Zone, col(Zone.id) == col(Excursion.zone_id))
        .outerjoin(ExcursionRule, col(ExcursionRule.id) == col(Excursion.rule_id))
        .where(col(Excursion.site_id) == site_id)
    )
    if zone_id is not None:
        statement = statement.where(col(Excursion.zone_id) == zone_id)
    if trip_id is not None:
        statement = statement.where(col(Excursion.trip_id) == trip_id)
    if is_open is not None:
        ended = col(Excursion.ended_at)
        statement = statement.where(ended.is_(None) if is_open else ended.is_not(None))
    return statement, [col(Excursion.id)]


def excursion_view(session: Session, site_id: int, excursion_id: int) -> Any:
    """Return one excursion with its room's code."""
    statement, _ = excursions(site_id)
    row = session.execute(statement.where(col(Excursion.id) == excursion_id)).one_or_none()
    if row is None:
        raise missing("excursion", excursion_id)
    return row


def open_excursions(session: Session, site_id: int) -> list[Any]:
    """Return what is wrong now, the newest first, each with its room's code."""
    statement, _ = excursions(site_id, is_open=True)
    newest = statement.order_by(col(Excursion.started_at).desc(), col(Excursion.id).desc())
    return list(session.execute(newest))


def known_of_rules(session: Session, rule_ids: Collection[int], first: datetime) -> list[Excursion]:
    """Return the excursions of rules that run or ended since an instant, oldest first, as stored now."""
    return _known(session, first, col(Excursion.rule_id).in_(sorted(rule_ids)))


def known_of_sensors(
    session: Session, site_id: int, kind: str, first: datetime, zone_ids: Collection[int] | None
) -> list[Excursion]:
    """Return the excursions of one kind of sensor trouble that run or ended since then, oldest first."""
    wanted = [col(Excursion.site_id) == site_id, col(Excursion.kind) == kind]
    if zone_ids is not None:
        wanted.append(col(Excursion.zone_id).in_(sorted(zone_ids)))
    return _known(session, first, *wanted)


def _known(session: Session, first: datetime, *wanted: Any) -> list[Excursion]:
    return list(
        session.scalars(
            select(Excursion)
            .where(*wanted, col(Excursion.merged_into_id).is_(None))
            .where(or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) >= first))
            .order_by(col(Excursion.started_at), col(Excursion.id)),
            execution_options={"populate_existing": True},
        )
    )


def readings_needed_from(session: Session, site_id: int, now: datetime) -> datetime:
    """
    Return from when on a site's readings are needed one by one, and may not be thinned.

    That is what a check looks back on: two weeks, every count that runs, and every failure that goes on.
    """
    counts = select(func.min(col(ExcursionRule.counts_from_at))).where(
        col(ExcursionRule.site_id) == site_id,
        col(ExcursionRule.is_active),
        col(ExcursionRule.kind) == "cumulative",
    )
    running = select(func.min(col(Excursion.started_at))).where(
        col(Excursion.site_id) == site_id,
        col(Excursion.ended_at).is_(None),
        col(Excursion.rule_id).is_not(None),
    )
    found = [session.scalar(counts), session.scalar(running)]
    return min([now - LOOK_BACK, *(at for at in found if at is not None)])


def unanswered(session: Session, site_id: int) -> list[Excursion]:
    """Return, locked, the excursions nobody has acknowledged and about which people may be told again."""
    return list(
        session.scalars(
            select(Excursion)
            .where(col(Excursion.site_id) == site_id, col(Excursion.acknowledged_at).is_(None))
            .where(col(Excursion.escalate_after_s).is_not(None), col(Excursion.merged_into_id).is_(None))
            .order_by(col(Excursion.id))
            .with_for_update()
            .execution_options(populate_existing=True)
        )
    )
