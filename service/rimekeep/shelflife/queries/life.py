"""The life that is left, as last refreshed: what picking, loading and pages go by."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, bindparam, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.queries import site_of
from rimekeep.platform.columns import UtcDateTime
from rimekeep.platform.straight import Among, Prepared, ask
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


@dataclass(frozen=True, slots=True)
class LastDays:
    """
    The days, at the site, that cases are good to the end of.

    ``expires_on`` by the median, which sorts; ``promised_on`` by what the site's customers are promised by.
    """

    expires_on: date
    promised_on: date


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
    ends = _ends(session, site_id, content_ids, with_cautious=False)
    return {content_id: end for content_id, (end, _) in ends.items()}


def _ends(
    session: Session, site_id: int, content_ids: Collection[int] | None, *, with_cautious: bool
) -> dict[int, tuple[datetime, datetime]]:
    """Return when each content's life ends: by the median, and cautiously or by the median once more."""
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    labels: dict[date, datetime] = {}
    found: dict[int, tuple[datetime, datetime]] = {}
    session.flush()
    for values in _keys(site_id, content_ids):
        for content_id, best_before_on, end, *careful in ask(
            session, _ENDS[with_cautious, content_ids is None], values
        ):
            if end is None:
                end = labels.get(best_before_on)
                if end is None:
                    end = labels[best_before_on] = label_end(best_before_on, zone)
                careful = [end]
            found[content_id] = end, careful[0] if careful else end
    return found


def _keys(site_id: int, content_ids: Collection[int] | None) -> Iterator[dict[str, Any]]:
    if content_ids is None:
        yield {"site": site_id}
        return
    ordered = sorted(set(content_ids))
    for start in range(0, len(ordered), CHUNK):
        yield {"site": site_id, "contents": ordered[start : start + CHUNK]}


def _ends_statement(*, with_cautious: bool, is_of_all: bool) -> Prepared:
    own, parent = aliased(Life), aliased(Life)
    # A row has both dates, so both come from the same one.
    asked = [func.coalesce(col(own.expires_at), col(parent.expires_at), type_=UtcDateTime)]
    if with_cautious:
        asked.append(func.coalesce(col(own.cautious_at), col(parent.cautious_at), type_=UtcDateTime))
    statement: Select[*tuple[Any, ...]] = (
        select(col(UnitContent.id), col(Lot.best_before_on), *asked)
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .where(col(UnitContent.site_id) == bindparam("site"))
    )
    if is_of_all:
        return Prepared(statement.where(col(UnitContent.cases) > 0))
    return Prepared(statement.where(Among(UnitContent.__table__.c.id, "contents")))  # type: ignore[attr-defined]


# By whether the cautious date is asked for, and whether for all contents.
_ENDS = {
    (with_cautious, is_of_all): _ends_statement(with_cautious=with_cautious, is_of_all=is_of_all)
    for with_cautious in (False, True)
    for is_of_all in (False, True)
}


def expires_on_by_content(
    session: Session, site_id: int, content_ids: Collection[int] | None
) -> dict[int, date]:
    """Return the last day, at the site, that each content is good to the end of, by the median."""
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    ends = expires_by_content(session, site_id, content_ids)
    days = {end: _last_day(end, zone) for end in set(ends.values())}
    return {content_id: days[end] for content_id, end in ends.items()}


def last_days_by_content(
    session: Session, site_id: int, content_ids: Collection[int] | None
) -> dict[int, LastDays]:
    """Return the last days of each content: by the median, and as the site promises its customers."""
    site = site_of(session, site_id)
    zone, is_cautious = ZoneInfo(site.time_zone), site.promises_by == PromisesBy.CAUTIOUS
    ends = _ends(session, site_id, content_ids, with_cautious=is_cautious)
    days = {end: _last_day(end, zone) for both in set(ends.values()) for end in set(both)}
    return {
        content_id: LastDays(days[end], min(days[end], days[careful]))
        for content_id, (end, careful) in ends.items()
    }


def _last_day(end: datetime, zone: ZoneInfo) -> date:
    return end.astimezone(zone).date() - timedelta(days=1)


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
