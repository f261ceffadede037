"""The life that is left, as last refreshed: what picking, loading and pages go by."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.tables import Life
from rimekeep.stock.tables import Lot, UnitContent

# Keys in one statement: well below what either database takes as bound values.
CHUNK = 10_000
BEST_BEFORE = "best before"


@dataclass(frozen=True, slots=True)
class LifeRow:
    """
    What is left of cases of one lot on one unit.

    ``as_of_at`` None: not refreshed yet; the label's date stands, or that of the cases it was picked from.
    """

    content_id: int
    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    as_of_at: datetime | None
    profile_id: int | None
    frozen_at: datetime | None


def life(session: Session, site_id: int, content_ids: Collection[int] | None) -> dict[int, LifeRow]:
    """Return the life of contents, or of all of the site's with cases left; none is left out."""
    own, parent = aliased(Life), aliased(Life)
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    statement: Select[*tuple[Any, ...]] = (
        select(col(UnitContent.id), col(Lot.best_before_on), own, parent)
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .where(col(UnitContent.site_id) == site_id)
    )
    found = {}
    for part in _parts(statement, content_ids):
        for content_id, best_before_on, row, before in session.execute(
            part, execution_options={"populate_existing": True}
        ):
            found[content_id] = _life_row(content_id, best_before_on, row or before, zone)
    return found


def _life_row(content_id: int, best_before_on: date, row: Life | None, zone: ZoneInfo) -> LifeRow:
    if row is None:
        end = label_end(best_before_on, zone)
        return LifeRow(content_id, end, end, BEST_BEFORE, None, None, None)
    return LifeRow(
        content_id,
        row.expires_at,
        row.cautious_at,
        row.limited_by,
        row.as_of_at if row.content_id == content_id else None,
        row.profile_id,
        row.frozen_at,
    )


def expires_by_content(
    session: Session, site_id: int, content_ids: Collection[int] | None
) -> dict[int, datetime]:
    """Return the instant each content's life ends; asked for all, those with cases left."""
    own, parent = aliased(Life), aliased(Life)
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    statement: Select[*tuple[Any, ...]] = (
        select(col(UnitContent.id), col(Lot.best_before_on), col(own.expires_at), col(parent.expires_at))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .where(col(UnitContent.site_id) == site_id)
    )
    labels: dict[date, datetime] = {}
    found: dict[int, datetime] = {}
    for part in _parts(statement, content_ids):
        for content_id, best_before_on, expires_at, parents_at in session.execute(part):
            end = expires_at or parents_at
            if end is None:
                end = labels.get(best_before_on)
                if end is None:
                    end = labels[best_before_on] = label_end(best_before_on, zone)
            found[content_id] = end
    return found


def expires_on_by_content(
    session: Session, site_id: int, content_ids: Collection[int] | None
) -> dict[int, date]:
    """Return the last day, at the site, that each content is good to the end of."""
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    ends = expires_by_content(session, site_id, content_ids)
    days = {end: end.astimezone(zone).date() - timedelta(days=1) for end in set(ends.values())}
    return {content_id: days[end] for content_id, end in ends.items()}


def label_ends(session: Session, site_id: int, days: Collection[date]) -> dict[date, datetime]:
    """Return the instants best-before days are over at the site."""
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    return {day: label_end(day, zone) for day in days}


def _parts(
    statement: Select[*tuple[Any, ...]], content_ids: Collection[int] | None
) -> Iterator[Select[*tuple[Any, ...]]]:
    if content_ids is None:
        yield statement.where(col(UnitContent.cases) > 0)
        return
    ordered = sorted(set(content_ids))
    for start in range(0, len(ordered), CHUNK):
        yield statement.where(col(UnitContent.id).in_(ordered[start : start + CHUNK]))
