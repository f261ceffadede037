"""
Where cases have been: the air they stood in, followed through every split.

Cases picked onto another unit carry on the history of the pallet they came from: the legs of the parent's
unit until the split, then their own unit's.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Any

from sqlalchemy import CTE, Select, cast, func, literal_column, null, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.platform.columns import UtcDateTime
from rimekeep.platform.database import parts
from rimekeep.stock.core.records import Leg, Present
from rimekeep.stock.core.states import HERE
from rimekeep.stock.tables import Lot, Stay, Unit, UnitContent


def paths(session: Session, site_id: int, content_ids: Collection[int] | None) -> dict[int, list[Leg]]:
    """
    Return the legs of contents, oldest first, each list without gaps unless the record has one.

    ``content_ids`` None asks for all with cases left on units that are still here; named ones are answered in
    whatever state they are.
    """
    found: dict[int, list[Leg]] = defaultdict(list)
    for ancestry in _ancestries(site_id, content_ids):
        statement = (
            select(
                ancestry.c.content_id,
                col(Stay.zone_id),
                col(Stay.entered_at),
                col(Stay.left_at),
                ancestry.c.from_at,
                ancestry.c.until_at,
            )
            .join(Stay, col(Stay.unit_id) == ancestry.c.unit_id)
            .order_by(ancestry.c.content_id, ancestry.c.depth.desc(), col(Stay.entered_at), col(Stay.id))
        )
        for content_id, zone_id, entered_at, left_at, from_at, until_at in session.execute(statement):
            _append(found[content_id], zone_id, _later(entered_at, from_at), _earlier(left_at, until_at))
    return dict(found)


def start_core_c(
    session: Session, site_id: int, content_ids: Collection[int] | None
) -> dict[int, float | None]:
    """Return the core temperature contents came in with (the first unit's, through every split). [°C]"""
    found: dict[int, float | None] = {}
    for ancestry in _ancestries(site_id, content_ids):
        statement = (
            select(ancestry.c.content_id, col(Unit.start_core_c))
            .join(Unit, col(Unit.id) == ancestry.c.unit_id)
            .where(ancestry.c.parent_id.is_(None))
        )
        found |= {row[0]: row[1] for row in session.execute(statement)}
    return found


def _ancestries(site_id: int, content_ids: Collection[int] | None) -> Iterator[CTE]:
    if content_ids is None:
        start = _start(site_id).join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        yield _ancestry(start.where(col(Unit.state).in_(HERE), col(UnitContent.cases) > 0))
        return
    for some in parts(content_ids):
        yield _ancestry(_start(site_id).where(col(UnitContent.id).in_(some)))


def _start(site_id: int) -> Select[*tuple[Any, ...]]:
    return select(
        col(UnitContent.id).label("content_id"),
        col(UnitContent.unit_id).label("unit_id"),
        col(UnitContent.parent_id).label("parent_id"),
        col(UnitContent.split_at).label("from_at"),
        cast(null(), UtcDateTime).label("until_at"),
        literal_column("0").label("depth"),
    ).where(col(UnitContent.site_id) == site_id)


def _ancestry(start: Select[*tuple[Any, ...]]) -> CTE:
    """Return (content, unit, from, until, depth) for each content and everything it was split from."""
    line = start.cte("ancestry", recursive=True)
    parent = aliased(UnitContent)
    return line.union_all(
        select(
            line.c.content_id,
            col(parent.unit_id),
            col(parent.parent_id),
            col(parent.split_at),
            line.c.from_at,
            line.c.depth + 1,
        ).join(parent, col(parent.id) == line.c.parent_id)
    )


def _later(one: datetime, other: datetime | None) -> datetime:
    return one if other is None else max(one, other)


def _earlier(one: datetime | None, other: datetime | None) -> datetime | None:
    if one is None or other is None:
        return other if one is None else one
    return min(one, other)


def _append(legs: list[Leg], zone_id: int, entered_at: datetime, left_at: datetime | None) -> None:
    if left_at is not None and left_at <= entered_at:
        return
    before = legs[-1] if legs else None
    if before is not None and before.zone_id == zone_id and before.left_at == entered_at:
        # A split within one room changes nothing for the beer; one leg lets equal histories be seen as equal.
        legs[-1] = Leg(zone_id, before.entered_at, left_at)
    else:
        legs.append(Leg(zone_id, entered_at, left_at))


def contents_present(
    session: Session, site_id: int, zone_id: int, from_at: datetime, until_at: datetime
) -> list[Present]:
    """
    Return the cases that were in a zone within [``from_at``, ``until_at``), each case once, where it is now.

    Cases picked off a pallet after the window opened are listed under the unit they are on now, with the time
    they themselves spent in the zone; contents with no cases left are not listed.
    """
    line = (
        select(
            col(UnitContent.id).label("content_id"),
            col(Stay.entered_at).label("entered_at"),
            col(Stay.left_at).label("left_at"),
            col(UnitContent.split_at).label("in_at"),
            cast(null(), UtcDateTime).label("out_at"),
        )
        .join(Stay, col(Stay.unit_id) == col(UnitContent.unit_id))
        .where(col(Stay.site_id) == site_id, col(Stay.zone_id) == zone_id, col(Stay.entered_at) < until_at)
        .where(col(Stay.left_at).is_(None) | (col(Stay.left_at) > from_at))
        .cte("presence", recursive=True)
    )
    child = aliased(UnitContent)
    line = line.union_all(
        select(
            col(child.id),
            line.c.entered_at,
            line.c.left_at,
            line.c.in_at,
            # The first split took the cases off the unit that stood there; later ones happened elsewhere.
            func.coalesce(line.c.out_at, col(child.split_at), type_=UtcDateTime),
        ).join(child, col(child.parent_id) == line.c.content_id)
    )
    spells: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    # Read in two steps: SQLite plans a join of the recursive part with the tables badly.
    for content_id, entered_at, left_at, in_at, out_at in session.execute(
        select(line).order_by(line.c.content_id, line.c.entered_at)
    ):
        start = max(_later(entered_at, in_at), from_at)
        end = min(_earlier(left_at, out_at) or until_at, until_at)
        if start < end:
            _join_spells(spells[content_id], start, end)
    found: list[Present] = []
    for some in parts(spells):
        statement = (
            select(
                col(UnitContent.id),
                col(Unit.id),
                col(Unit.sscc),
                col(Lot.id),
                col(Lot.product_id),
                col(UnitContent.cases),
            )
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .where(col(UnitContent.id).in_(some), col(UnitContent.cases) > 0)
            .order_by(col(UnitContent.id))
        )
        for row in session.execute(statement):
            times = spells[row[0]]
            found.append(
                Present(
                    row[0], row[1], row[2], row[3], row[4], row[5], times[0][0], times[-1][1], tuple(times)
                )
            )
    return found


def _join_spells(times: list[tuple[datetime, datetime]], start: datetime, end: datetime) -> None:
    if times and times[-1][1] >= start:
        times[-1] = (times[-1][0], max(times[-1][1], end))
    else:
        times.append((start, end))
