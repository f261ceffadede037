"""What could be counted, what is to be counted, and what pickers have in hand meanwhile."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.access.tables import Principal
from rimekeep.errors import missing
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking.core.counts import COUNT_WANTED, Claim, CountState, Place
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.tables import Allocated, Count, CountLine, Pick, PickList
from rimekeep.platform.database import Listing, parts
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock.core.states import ROOMS, QaState, UnitState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent, Zone

_BEGUN = {None: 0, ListState.READY: 1, ListState.TAKEN: 2}


@dataclass(frozen=True, slots=True)
class Countable:
    """A place to be counted: a bay, or a unit that stands in none."""

    zone_id: int
    bay_id: int | None
    unit_id: int | None


def countable(
    session: Session,
    now: datetime,
    site_id: int,
    *,
    zone_id: int | None = None,
    bay_ids: Collection[int] | None = None,
) -> tuple[list[Countable], list[Place]]:
    """Return the places no count is open for, and what is known of each; a place's key is its position."""
    today = now.astimezone(ZoneInfo(site_of(session, site_id).time_zone)).date()
    busy = session.execute(
        select(col(Count.bay_id), col(Count.unit_id)).where(
            col(Count.site_id) == site_id, col(Count.state) != CountState.DONE
        )
    ).all()
    bays = (
        select(col(Bay.id), col(Bay.zone_id), col(Bay.counted_at))
        .join(Zone, col(Zone.id) == col(Bay.zone_id))
        .where(col(Bay.site_id) == site_id, col(Zone.kind).in_(ROOMS))
        .order_by(col(Bay.id))
    )
    units = (
        select(
            col(Unit.id),
            col(Unit.zone_id),
            col(Unit.bay_id),
            col(Unit.counted_at),
            col(Unit.received_at),
            func.coalesce(col(Unit.placed_at), col(Unit.received_at)),
            col(Unit.qa_state),
            col(Unit.qa_reason),
        )
        .where(col(Unit.site_id) == site_id, col(Unit.state) == UnitState.IN_STORE)
        .order_by(col(Unit.id))
    )
    if zone_id is not None:
        bays, units = bays.where(col(Bay.zone_id) == zone_id), units.where(col(Unit.zone_id) == zone_id)
    stands: dict[int | None, list[Any]] = defaultdict(list)
    for row in session.execute(units):
        stands[row[2]].append(row)
    last_on = _first_over(session, site_id)
    splits, shorts = _splits(session, site_id), _shorts(session, site_id)
    taken_bays = {bay for bay, unit in busy if unit is None}
    taken_units = {unit for _, unit in busy}
    found: list[Countable] = []
    places: list[Place] = []

    def add(where: Countable, rows: Sequence[Any], counted_at: datetime | None, short_picks: int) -> None:
        days = [last_on[row[0]] for row in rows if row[0] in last_on]
        since = counted_at or min((row[3] or row[4] for row in rows), default=None)
        moves = sum(splits.get(row[0], 0) for row in rows)
        moves += sum(1 for row in rows if counted_at is not None and row[5] > counted_at)
        wanted = sum(1 for row in rows if row[6] == QaState.HELD and row[7].startswith(COUNT_WANTED))
        places.append(
            Place(
                key=len(found),
                days_left=(min(days) - today).days if days else None,
                moves=moves,
                days_since=None if since is None else max(0.0, (now - since).total_seconds() / 86_400),
                # A pallet held because a pick was short is reported, whatever else happened at its bay.
                shorts=max(short_picks, wanted),
            )
        )
        found.append(where)

    for bay_id, of_zone, counted_at in session.execute(bays):
        if bay_id not in taken_bays and (bay_ids is None or bay_id in bay_ids):
            add(Countable(of_zone, bay_id, None), stands[bay_id], counted_at, shorts.get(bay_id, 0))
    if bay_ids is None:
        for row in stands[None]:
            if row[0] not in taken_units:
                add(Countable(row[1], None, row[0]), [row], row[3], 0)
    return found, places


def _first_over(session: Session, site_id: int) -> dict[int, date]:
    ends = shelflife.expires_on_by_content(session, site_id, None)
    rows = session.execute(
        select(col(UnitContent.id), col(UnitContent.unit_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.cases) > 0)
        .where(col(Unit.state) == UnitState.IN_STORE)
    )
    found: dict[int, date] = {}
    for content_id, unit_id in rows:
        if content_id in ends:
            found[unit_id] = min(ends[content_id], found.get(unit_id, date.max))
    return found


def _splits(session: Session, site_id: int) -> dict[int, int]:
    """Return how often cases were taken off each unit since it was last counted."""
    child = aliased(UnitContent)
    rows = session.execute(
        select(col(UnitContent.unit_id), func.count())
        .join(child, col(child.parent_id) == col(UnitContent.id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id, col(Unit.state) == UnitState.IN_STORE)
        .where(col(child.split_at) > func.coalesce(col(Unit.counted_at), col(Unit.received_at)))
        .group_by(col(UnitContent.unit_id))
    )
    return {row[0]: row[1] for row in rows}


def _shorts(session: Session, site_id: int) -> dict[int, int]:
    rows = session.execute(
        select(col(Pick.bay_id), func.count())
        .join(Bay, col(Bay.id) == col(Pick.bay_id))
        .where(col(Pick.site_id) == site_id, col(Pick.state) == PickState.SHORT)
        .where(or_(col(Bay.counted_at).is_(None), col(Pick.done_at) > col(Bay.counted_at)))
        .group_by(col(Pick.bay_id))
    )
    return {row[0]: row[1] for row in rows if row[0] is not None}


@dataclass(frozen=True, slots=True)
class CountTask:
    """A count as whoever counts may see it: where, never how many."""

    id: int
    state: str
    round: int
    zone_id: int
    zone_code: str
    bay_id: int | None
    bay_code: str | None
    aisle: int | None
    slot: int | None
    level: int | None
    sscc: str | None


@dataclass(frozen=True, slots=True)
class CountLineView:
    """One thing a count found."""

    id: int
    round: int
    finding: str
    sscc: str
    sku: str | None
    lot_code: str | None
    counted_cases: int
    recorded_cases: int
    adjusted_cases: int | None


@dataclass(frozen=True, slots=True)
class CountView:
    """A count as the office sees it."""

    id: int
    state: str
    round: int
    score: float
    reasons: tuple[str, ...]
    zone_id: int
    zone_code: str
    bay_id: int | None
    bay_code: str | None
    sscc: str | None
    counter: str | None
    made_at: datetime
    counted_at: datetime | None
    done_at: datetime | None
    reason: str
    lines: tuple[CountLineView, ...]


def counts(site_id: int, *, state: CountState | None = None, zone_id: int | None = None) -> Listing:
    """Return the statement for the site's counts, and its order."""
    statement = select(Count).where(col(Count.site_id) == site_id)
    if state is not None:
        statement = statement.where(col(Count.state) == state)
    if zone_id is not None:
        statement = statement.where(col(Count.zone_id) == zone_id)
    return statement, [col(Count.id)]


def count(session: Session, site_id: int, count_id: int, *, is_locked: bool = False) -> Count:
    """Return a count of the site."""
    found = session.get(Count, count_id, with_for_update=is_locked or None, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("count", count_id)
    return found


def count_tasks(session: Session, count_ids: Collection[int]) -> list[CountTask]:
    """Return counts as whoever counts may see them."""
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(Count.id),
            col(Count.state),
            col(Count.round),
            col(Zone.id),
            col(Zone.code),
            col(Bay.id),
            col(Bay.code),
            col(Bay.aisle),
            col(Bay.slot),
            col(Bay.level),
            col(Unit.sscc),
        )
        .join(Zone, col(Zone.id) == col(Count.zone_id))
        .outerjoin(Bay, col(Bay.id) == col(Count.bay_id))
        .outerjoin(Unit, col(Unit.id) == col(Count.unit_id))
        .where(col(Count.id).in_(sorted(count_ids)))
        .order_by(col(Count.id))
    )
    return [CountTask(*row) for row in session.execute(statement)]


def count_views(session: Session, rows: Sequence[Count]) -> list[CountView]:
    """Return counts as the office sees them, in the same order."""
    ids = [row.id for row in rows]
    tasks = {task.id: task for some in parts(ids) for task in count_tasks(session, some)}
    names: dict[int, str] = {}
    for some in parts({row.counter_id for row in rows if row.counter_id is not None}):
        found = session.execute(
            select(col(Principal.id), col(Principal.name)).where(col(Principal.id).in_(some))
        )
        names |= {row[0]: row[1] for row in found}
    lines: dict[int, list[CountLineView]] = defaultdict(list)
    for some in parts(ids):
        statement: Select[*tuple[Any, ...]] = (
            select(
                col(CountLine.count_id),
                col(CountLine.id),
                col(CountLine.round),
                col(CountLine.finding),
                col(CountLine.sscc),
                col(Product.sku),
                col(Lot.code),
                col(CountLine.counted_cases),
                col(CountLine.recorded_cases),
                col(CountLine.adjusted_cases),
            )
            .outerjoin(Lot, col(Lot.id) == col(CountLine.lot_id))
            .outerjoin(Product, col(Product.id) == col(Lot.product_id))
            .where(col(CountLine.count_id).in_(some))
            .order_by(col(CountLine.id))
        )
        for count_id, *facts in session.execute(statement):
            lines[count_id].append(CountLineView(*facts))
    return [
        CountView(
            id=row.id,
            state=row.state,
            round=row.round,
            score=row.score,
            reasons=tuple(row.reasons),
            zone_id=row.zone_id,
            zone_code=tasks[row.id].zone_code,
            bay_id=row.bay_id,
            bay_code=tasks[row.id].bay_code,
            sscc=tasks[row.id].sscc,
            counter=None if row.counter_id is None else names[row.counter_id],
            made_at=row.made_at,
            counted_at=row.counted_at,
            done_at=row.done_at,
            reason=row.reason,
            lines=tuple(lines[row.id]),
        )
        for row in rows
    ]


def in_hand(session: Session, content_ids: Collection[int], at: datetime) -> dict[int, list[int]]:
    """
    Return the cases of each pick that may have been taken off a content before ``at`` unconfirmed.

    Open on a list somebody has, or confirmed after that moment.
    """
    found: dict[int, list[int]] = defaultdict(list)
    for some in parts(content_ids):
        rows = session.execute(
            select(
                col(UnitContent.id),
                col(UnitContent.parent_id),
                col(Allocated.cases),
                col(Pick.picked_cases),
                col(Pick.state),
            )
            .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(PickList, col(PickList.id) == col(Pick.list_id))
            .where(or_(col(UnitContent.id).in_(some), col(UnitContent.parent_id).in_(some)))
            .where(
                or_(
                    (col(Pick.state) == PickState.OPEN) & (col(PickList.state) == ListState.TAKEN),
                    col(Pick.state).in_((PickState.DONE, PickState.SHORT)) & (col(Pick.done_at) > at),
                )
            )
        )
        for content_id, parent_id, cases, picked, state in rows:
            if state == PickState.OPEN and content_id in some:
                found[content_id].append(cases)
            elif state != PickState.OPEN and picked:
                found[parent_id if parent_id in some else content_id].append(picked)
    return dict(found)


def claims(
    session: Session, site_id: int, content_ids: Collection[int]
) -> dict[int, list[tuple[int, Claim]]]:
    """Return what is reserved of contents and not picked, as (order, claim), by content."""
    found: dict[int, list[tuple[int, Claim]]] = defaultdict(list)
    for some in parts(content_ids):
        rows = session.execute(
            select(
                col(Allocated.content_id),
                col(SalesOrder.id),
                col(Allocated.line_id),
                col(Allocated.cases),
                col(SalesOrder.deliver_on),
                col(SalesOrder.priority),
                col(PickList.state),
            )
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
            .outerjoin(
                Pick, (col(Pick.allocation_id) == col(Allocated.id)) & (col(Pick.state) == PickState.OPEN)
            )
            .outerjoin(PickList, col(PickList.id) == col(Pick.list_id))
            .where(col(Allocated.site_id) == site_id, col(Allocated.content_id).in_(some))
            .where(col(Allocated.state) == AllocationState.RESERVED)
            .order_by(col(Allocated.id))
        )
        for content_id, order_id, line_id, cases, deliver_on, priority, list_state in rows:
            state = None if list_state is None else ListState(list_state)
            found[content_id].append((order_id, Claim(line_id, cases, deliver_on, priority, _BEGUN[state])))
    return dict(found)
