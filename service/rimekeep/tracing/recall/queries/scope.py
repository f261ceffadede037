"""What a recall reaches: whole lots, or the stock an excursion touched."""

from collections.abc import Collection, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.errors import Refused, invalid
from rimekeep.excursions import queries as excursions
from rimekeep.platform.database import parts
from rimekeep.stock import queries as stock
from rimekeep.stock.core.facts import day_at
from rimekeep.stock.tables import Lot, UnitContent
from rimekeep.tracing.recall.core.records import Source
from rimekeep.tracing.recall.core.states import RecallState, ScopeKind
from rimekeep.tracing.recall.tables import Recall, RecallContent, RecallLot
from rimekeep.wording import say


def resolve(session: Session, now: datetime, site_id: int, kind: str, scope: Mapping[str, Any]) -> Source:
    """Return what a scope reaches now; raise Refused if that is nothing."""
    if kind == ScopeKind.LOTS:
        return Source(_lots(session, site_id, scope["lot_ids"], is_whole_day=scope["and_same_day"]))
    if kind == ScopeKind.WINDOW:
        from_at, until_at = (datetime.fromisoformat(scope[name]) for name in ("from_at", "until_at"))
        zone = stock.zone(session, site_id, scope["zone_id"])
        there = stock.contents_present(session, site_id, zone.id, from_at, until_at)
        if not there:
            raise _empty(
                f"No stock stood in {zone.code} from {from_at.isoformat()} to {until_at.isoformat()}."
            )
        return Source(tuple(sorted({one.lot_id for one in there})))
    row = excursions.excursion(session, site_id, scope["excursion_id"])
    there = stock.contents_present(
        session, site_id, row.zone_id, row.started_at, row.ended_at or max(now, row.started_at)
    )
    rule = None if row.rule_id is None else excursions.rule(session, site_id, row.rule_id)
    if rule is not None and rule.product_id is not None:
        there = [one for one in there if one.product_id == rule.product_id]
    if not there:
        raise _empty(f"Excursion {row.id} touched no stock that is still known of.")
    return Source(
        tuple(sorted({one.lot_id for one in there})), tuple(sorted(one.content_id for one in there))
    )


def source_of(session: Session, now: datetime, row: Recall) -> Source:
    """Return what a recall reaches: as asked while a draft, then what it began from and what came of that."""
    if row.state == RecallState.DRAFT:
        return resolve(session, now, row.site_id, row.kind, row.scope)
    lots = session.scalars(select(col(RecallLot.lot_id)).where(col(RecallLot.recall_id) == row.id))
    lot_ids = tuple(sorted(lots))
    if row.kind != ScopeKind.EXCURSION:
        return Source(lot_ids)
    child = aliased(UnitContent)
    line = (
        select(col(RecallContent.content_id).label("content_id"))
        .where(col(RecallContent.recall_id) == row.id)
        .cte("called", recursive=True)
    )
    line = line.union(select(col(child.id)).join(line, col(child.parent_id) == line.c.content_id))
    return Source(lot_ids, tuple(sorted(session.scalars(select(line.c.content_id)))))


def _lots(session: Session, site_id: int, lot_ids: Collection[int], *, is_whole_day: bool) -> tuple[int, ...]:
    asked: list[Lot] = []
    for some in parts(lot_ids):
        asked += session.scalars(
            select(Lot).where(col(Lot.site_id) == site_id, col(Lot.id).in_(some)).order_by(col(Lot.id))
        )
    unknown = sorted(set(lot_ids) - {one.id for one in asked})
    if unknown:
        raise invalid(
            "lot_ids",
            say("There is no lot {choices} at this site.", choices=", ".join(map(str, unknown[:5]))),
            say("Look the lots up by product and code; GET /v1/lots lists them."),
            code="unknown-lot",
        )
    found = {one.id for one in asked}
    if is_whole_day:
        zone = ZoneInfo(site_of(session, site_id).time_zone)
        for lot in asked:
            day = day_at(lot.packaged_at, zone)
            begin = datetime(day.year, day.month, day.day, tzinfo=zone)
            found |= set(
                session.scalars(
                    select(col(Lot.id)).where(
                        col(Lot.site_id) == site_id,
                        col(Lot.product_id) == lot.product_id,
                        col(Lot.packaged_at) >= begin,
                        # Same clock, next day: a day the clocks are changed on is longer or shorter.
                        col(Lot.packaged_at) < begin + timedelta(days=1),
                    )
                )
            )
    return tuple(sorted(found))


def _empty(fact: str) -> Refused:
    return Refused("recall-empty", say("{fact} There is nothing to call back; widen the scope.", fact=fact))
