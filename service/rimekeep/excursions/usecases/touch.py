"""The stock an excursion touches: listed, priced in days of life, held, announced."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.queries import sensor_codes
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.tables import Excursion, ExcursionContent, ExcursionRule
from rimekeep.platform.database import upsert
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.shelflife.queries import Exposed, life_lost
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.records import Present
from rimekeep.stock.tables import UnitContent


@dataclass(frozen=True, slots=True)
class TouchedStock:
    """How much an excursion touched, and the worst it cost."""

    units: int
    cases: int
    held_units: int
    worst_life_lost_days: float | None


def touch(session: Session, now: datetime, row: Excursion, *, holds_stock: bool) -> TouchedStock:
    """
    Bring the list of the stock that was in the room up to date; hold what is new on it if asked to.

    What QA released while the excursion runs is not held again.
    """
    zone = stock.zone(session, row.site_id, row.zone_id)
    until_at = row.ended_at or now
    present = stock.contents_present(session, row.site_id, row.zone_id, row.started_at, until_at)
    before = set(
        session.scalars(
            select(col(ExcursionContent.content_id)).where(col(ExcursionContent.excursion_id) == row.id)
        )
    )
    cost = life_lost(
        session,
        row.site_id,
        [Exposed(one.content_id, one.from_at, one.until_at) for one in present],
        zone_id=row.zone_id,
        planned_c=zone.planned_c,
    )
    upsert(
        session,
        ExcursionContent.__table__,  # type: ignore[attr-defined]
        [_row(row, one, cost[one.content_id]) for one in present],
        keys=["excursion_id", "content_id"],
    )
    gone = before - {one.content_id for one in present}
    if gone:
        # Cases are listed once, under the unit they are on now.
        session.execute(
            delete(ExcursionContent).where(
                col(ExcursionContent.excursion_id) == row.id,
                col(ExcursionContent.content_id).in_(sorted(gone)),
            )
        )
    held: list[int] = []
    if holds_stock:
        new = _not_seen(session, [one for one in present if one.content_id not in before], before)
        if new:
            held = stock_usecases.hold_units(
                session,
                now,
                row.site_id,
                unit_ids={one.unit_id for one in new},
                reason=f"{_what(row)} in {zone.code}, excursion {row.id}",
            )
    lost = [days for days in cost.values() if days is not None]
    return TouchedStock(
        units=len({one.unit_id for one in present}),
        cases=sum(one.cases for one in present),
        held_units=len(held),
        worst_life_lost_days=max(lost) if lost else None,
    )


def _row(row: Excursion, one: Present, lost_days: float | None) -> dict[str, Any]:
    return {
        "excursion_id": row.id,
        "content_id": one.content_id,
        "cases": one.cases,
        "from_at": one.from_at,
        "until_at": one.until_at,
        "life_lost_days": lost_days,
    }


def _not_seen(session: Session, new: list[Present], before: set[int]) -> list[Present]:
    """Leave out cases picked off a pallet that was listed before: QA has had its word on them."""
    if not before or not new:
        return new
    rows = session.execute(
        select(col(UnitContent.id), col(UnitContent.parent_id)).where(
            col(UnitContent.id).in_([one.content_id for one in new])
        )
    )
    parents = {row[0]: row[1] for row in rows}
    return [one for one in new if parents[one.content_id] not in before]


def _what(row: Excursion) -> str:
    match row.kind:
        case ExcursionKind.TOO_WARM:
            return f"air at or above {row.limit_c:g} °C"
        case ExcursionKind.TOO_COLD:
            return f"air at or below {row.limit_c:g} °C"
    return "a silent sensor"


def announce_opened(
    session: Session, now: datetime, row: Excursion, rule: ExcursionRule | None, touched: TouchedStock
) -> None:
    """Put a new excursion on record and tell people, once."""
    data = {
        **_facts(session, row),
        "rule": None if rule is None else rule.name,
        "units": touched.units,
        "cases": touched.cases,
        "held_units": touched.held_units,
        "worst_life_lost_days": touched.worst_life_lost_days and round(touched.worst_life_lost_days, 3),
    }
    record(session, row.site_id, Event("excursion.opened", now, data=data))
    announce(session, row.site_id, Notice("excursion.opened", now, data))


def announce_ended(session: Session, now: datetime, row: Excursion) -> None:
    """Put on record that an excursion is over and tell people."""
    data = _facts(session, row)
    record(session, row.site_id, Event("excursion.ended", now, data=data))
    announce(session, row.site_id, Notice("excursion.ended", now, data))


def _facts(session: Session, row: Excursion) -> dict[str, Any]:
    zone = stock.zone(session, row.site_id, row.zone_id)
    codes = {} if row.sensor_id is None else sensor_codes(session, row.site_id, [row.sensor_id])
    return {
        "excursion_id": row.id,
        "kind": str(row.kind),
        "severity": str(row.severity),
        "zone": zone.code,
        "sensor": codes.get(row.sensor_id or 0),
        "limit_c": row.limit_c,
        "peak_c": row.peak_c,
        "started_at": row.started_at.isoformat(),
        "alarm_at": row.alarm_at.isoformat(),
        "ended_at": None if row.ended_at is None else row.ended_at.isoformat(),
    }
