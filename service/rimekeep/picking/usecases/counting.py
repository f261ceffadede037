"""
Choose what is counted, hand it out, and take in what was found.

A count is blind: no answer to whoever counts holds a number from the record. Caution: nothing is counted
from a raised fork or by climbing a rack; a pallet that has to be brought down is brought down by a driver.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.picking import queries
from rimekeep.picking.core.counts import (
    COUNT_WANTED,
    CountState,
    choose,
)
from rimekeep.picking.core.walk import shortest_walk
from rimekeep.picking.queries import CountTask
from rimekeep.picking.tables import Count, CountLine
from rimekeep.picking.usecases.making import layout_of
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.wording import say

# A count lasts longer than a pick; a silent counter's places go back after this.
LEASE = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class DaysWalk:
    """What is to be counted in one zone, in the order of the walk; ``walk_m`` None: no aisles known."""

    counts: tuple[CountTask, ...]
    walk_m: float | None


def choose_counts(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    how_many: int,
    zone_id: int | None = None,
    bay_ids: Collection[int] | None = None,
) -> list[Count]:
    """Have the places counted that are most worth it; those named in any case."""
    if zone_id is not None:
        stock.zone(session, caller.site_id, zone_id)
    for bay_id in sorted(set(bay_ids or ())):
        stock.bay(session, caller.site_id, bay_id)
    take_turns(session, f"counts at site {caller.site_id}")
    found, places = queries.countable(session, now, caller.site_id, zone_id=zone_id, bay_ids=bay_ids)
    made = []
    for risk in choose(places, how_many):
        where = found[risk.key]
        made.append(
            Count(
                site_id=caller.site_id,
                zone_id=where.zone_id,
                bay_id=where.bay_id,
                unit_id=where.unit_id,
                state=CountState.OPEN,
                score=round(risk.score, 4),
                reasons=list(risk.reasons),
                made_at=now,
            )
        )
    session.add_all(made)
    session.flush()
    data = {"counts": [one.id for one in made], "zone_id": zone_id}
    record(session, caller.site_id, Event("counts.chosen", now, actor_id=caller.id, data=data))
    return made


def take_counts(
    session: Session, now: datetime, caller: Caller, *, zone_id: int | None, at_most: int
) -> DaysWalk:
    """Take the next counts of one zone, or get back those one has; nobody counts a place twice in a row."""
    if zone_id is not None:
        stock.zone(session, caller.site_id, zone_id)
    mine = col(Count.counter_id) == caller.id
    is_mine = (col(Count.state) == CountState.TAKEN) & mine
    rows = list(
        session.scalars(
            select(Count)
            .where(col(Count.site_id) == caller.site_id, is_mine)
            .order_by(col(Count.id))
            .with_for_update()
        )
    )
    if not rows:
        silent = (col(Count.state) == CountState.TAKEN) & (col(Count.leased_until) < now)
        free = (
            select(Count)
            .where(col(Count.site_id) == caller.site_id)
            .where(or_(col(Count.state) == CountState.OPEN, silent))
            .where(func.coalesce(col(Count.before_id), 0) != caller.id)
            .order_by(col(Count.score).desc(), col(Count.id))
            .limit(at_most)
            .with_for_update(skip_locked=True)
            .execution_options(populate_existing=True)
        )
        if zone_id is None:
            first = session.scalars(free.limit(1)).first()
            zone_id = None if first is None else first.zone_id
        rows = list(session.scalars(free.where(col(Count.zone_id) == zone_id)))
    for row in rows:
        row.state, row.counter_id, row.leased_until = CountState.TAKEN, caller.id, now + LEASE
    session.flush()
    return _in_walking_order(session, caller.site_id, [row.id for row in rows])


def _in_walking_order(session: Session, site_id: int, count_ids: Sequence[int]) -> DaysWalk:
    tasks = queries.count_tasks(session, count_ids)
    by_zone: dict[int, list[CountTask]] = defaultdict(list)
    for task in tasks:
        by_zone[task.zone_id].append(task)
    zones = {zone.id: zone for zone in stock.zones(session, site_id)}
    depths = queries.store_depths(session, site_id)
    ordered: list[CountTask] = []
    length_m: float | None = 0.0
    for zone_id, members in by_zone.items():
        layout = layout_of(zones[zone_id], depths.get(zone_id))
        placed = [task for task in members if task.aisle is not None and task.slot is not None]
        place: dict[tuple[int | None, int | None], int] = {}
        if layout is not None and placed:
            walk = shortest_walk(layout, [(task.aisle or 0, task.slot or 0) for task in placed])
            place = {(stop[0], stop[1]): number for number, stop in enumerate(walk.stops)}
            length_m = None if length_m is None else length_m + walk.length_m
        else:
            length_m = None
        last = len(place)
        members.sort(
            key=lambda task: (place.get((task.aisle, task.slot), last), task.level or 0, task.bay_code or "")
        )
        ordered += members
    return DaysWalk(tuple(ordered), length_m if ordered else None)


def hand_back_count(session: Session, now: datetime, caller: Caller, *, count_id: int) -> Count:
    """Give a count back that one has taken."""
    count = taken_count(session, caller, count_id)
    count.state, count.counter_id, count.leased_until = CountState.OPEN, None, None
    session.flush()
    return count


def taken_count(session: Session, caller: Caller, count_id: int) -> Count:
    count = queries.count(session, caller.site_id, count_id, is_locked=True)
    if count.state != CountState.TAKEN or count.counter_id != caller.id:
        told = say("done") if count.state in (CountState.WAITING, CountState.DONE) else say("somebody else's")
        told = say("nobody's") if count.state == CountState.OPEN else told
        raise Conflict(
            "count-not-yours",
            say("This count is {told}. Take the next one.", told=told),
            data={"count_id": count_id, "state": str(count.state)},
        )
    return count


def settle_count(
    session: Session,
    now: datetime,
    caller: Caller,
    count: Count,
    lines: Sequence[CountLine],
    reason: str,
) -> None:
    """Close a count: its units are counted, and what was held to be counted is released."""
    count.state, count.done_at, count.leased_until = CountState.DONE, now, None
    unit_ids = sorted({line.unit_id for line in lines if line.unit_id is not None})
    at = count.counted_at or now
    stock_usecases.mark_counted(session, caller.site_id, at, unit_ids=unit_ids, bay_id=count.bay_id)
    for unit in stock_usecases.locked_units(session, caller.site_id, unit_ids):
        is_held = unit.qa_state == QaState.HELD and unit.qa_reason.startswith(COUNT_WANTED)
        if is_held and unit.state in (UnitState.IN_STORE, UnitState.PICKED):
            stock_usecases.release_unit(session, now, caller, unit_id=unit.id, reason=reason[:500])
