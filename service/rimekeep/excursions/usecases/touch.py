"""The stock an excursion touches: listed, priced in days of life, held."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.excursions import queries
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.words import hold_reason
from rimekeep.excursions.tables import Excursion, ExcursionContent, ExcursionHold, ExcursionRule
from rimekeep.platform.database import insert_new, parts, upsert
from rimekeep.shelflife.queries import Exposed, life_lost
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.records import Present
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.tables import Unit, UnitContent

# The price of what runs grows with time; but with nothing new heard or moved, looking this often is enough.
TOUCH_EVERY = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class TouchedStock:
    """How much an excursion touched, stopped, or marked on the road, and the worst it cost."""

    units: int = 0
    cases: int = 0
    held_units: int = 0
    marked_units: int = 0
    worst_life_lost_days: float | None = None


def touch(
    session: Session, now: datetime, row: Excursion, rule: ExcursionRule | None, *, mark: str, is_due: bool
) -> TouchedStock:
    """
    Bring the list of the stock that was in the room up to date; hold what is new on it if the rule says so.

    What QA released while the excursion runs is not held again. With the same readings and the same stock as
    the last time nothing is done, unless it ``is_due``. ``mark`` stands for the readings.
    """
    if row.kind == ExcursionKind.CALIBRATION:
        return TouchedStock()
    is_running = row.ended_at is None
    if is_running:
        mark = f"{mark}:{queries.presence_mark(session, row, now)}"
    elif not is_due and row.touched_from.partition(":")[0] == mark:
        return TouchedStock()
    is_fresh = row.touched_at is not None and now - row.touched_at < TOUCH_EVERY
    if not is_due and is_fresh and row.touched_from == mark:
        return TouchedStock()
    row.touched_from, row.touched_at = mark, now
    return _list(session, now, row, rule)


def _list(session: Session, now: datetime, row: Excursion, rule: ExcursionRule | None) -> TouchedStock:
    zone = stock.zone(session, row.site_id, row.zone_id)
    present = stock.contents_present(
        session, row.site_id, row.zone_id, row.started_at, row.ended_at or max(now, row.started_at)
    )
    if rule is not None and rule.product_id is not None:
        present = [one for one in present if one.product_id == rule.product_id]
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
    # Cases are listed once, under the unit they are on now.
    for gone in parts(before - {one.content_id for one in present}):
        session.execute(
            delete(ExcursionContent).where(
                col(ExcursionContent.excursion_id) == row.id, col(ExcursionContent.content_id).in_(gone)
            )
        )
    held = marked = 0
    if rule is not None and rule.holds_stock:
        new = _not_seen(session, [one for one in present if one.content_id not in before], before)
        held, marked = _hold(session, now, row, zone.code, {one.unit_id for one in new})
    lost = [days for days in cost.values() if days is not None]
    return TouchedStock(
        units=len({one.unit_id for one in present}),
        cases=sum(one.cases for one in present),
        held_units=held,
        marked_units=marked,
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


def _hold(
    session: Session, now: datetime, row: Excursion, zone_code: str, unit_ids: set[int]
) -> tuple[int, int]:
    """
    Stop units; those another excursion stopped already wait for this one's decisions too.

    Returns how many were stopped, and how many were only marked because they are on the road.
    """
    if not unit_ids:
        return 0, 0
    reason = hold_reason(row.kind, row.limit_c, zone_code, row.id)
    held = stock_usecases.hold_units(session, now, row.site_id, unit_ids=unit_ids, reason=reason)
    stopped, gone = set(held), set[int]()
    for some in parts(unit_ids - stopped):
        stopped |= set(
            session.scalars(
                select(col(Unit.id))
                .join(ExcursionHold, col(ExcursionHold.unit_id) == col(Unit.id))
                .where(col(Unit.id).in_(some), col(Unit.qa_state) == QaState.HELD)
                .where(col(Unit.qa_reason) == col(ExcursionHold.reason))
            )
        )
        # QA's word does not reach the road: these are only marked, and held if they come back.
        gone |= set(
            session.scalars(
                select(col(Unit.id)).where(col(Unit.id).in_(some), col(Unit.state) == UnitState.DEPARTED)
            )
        )
    insert_new(
        session,
        ExcursionHold.__table__,  # type: ignore[attr-defined]
        [
            {"excursion_id": row.id, "unit_id": unit_id, "reason": reason}
            for unit_id in sorted(stopped | gone)
        ],
    )
    return len(held), len(gone)


def _not_seen(session: Session, new: list[Present], before: set[int]) -> list[Present]:
    """Leave out cases picked off a pallet that was listed before: QA has had its word on them."""
    if not before or not new:
        return new
    parents: dict[int, int | None] = {}
    for some in parts([one.content_id for one in new]):
        rows = session.execute(
            select(col(UnitContent.id), col(UnitContent.parent_id)).where(col(UnitContent.id).in_(some))
        )
        parents |= {row[0]: row[1] for row in rows}
    return [one for one in new if parents[one.content_id] not in before]
