"""
Serve lines anew whose reserved stock stopped being good for them.

A lot goes on hold, is rejected, gets an earlier date, or its modelled life moves: what was reserved of it for
a customer who may not have it goes back, and the line gets other stock by the same rules as in any wave.
Work nobody has begun is moved. On a list a picker walks with, the stop is withdrawn, what replaces it joins
the rest of the walk, and both say so in one line; stock in another room makes a list there. What has been
picked stays picked: loading looks at it by rules of its own.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.states import OrderState
from rimekeep.picking import queries
from rimekeep.picking.core.records import AllocatedLine, Reallocated, ReservedAnew, Withdrawn
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.core.unfit import note_instead, note_withdrawn, unfit_text
from rimekeep.picking.queries import Replacement, Unfit
from rimekeep.picking.tables import Allocated, Pick, PickList
from rimekeep.picking.usecases.allocate import answer_of, note_shorts, planned, reserve
from rimekeep.picking.usecases.finish import close_list, close_order
from rimekeep.picking.usecases.walking import walk_again
from rimekeep.platform.database import parts, take_turns
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import usecases as stock_usecases

NEWS = 200  # lines a notice names; it counts them all


def reallocate(
    session: Session, now: datetime, by: Caller | int, line_ids: Collection[int] | None = None
) -> Reallocated:
    """
    Serve anew every line whose reserved stock is stopped, gone, or no longer within the line's rules.

    Parameters
    ----------
    by
        Who asks; the id of a site where the house does it by itself.
    line_ids
        Only these lines; None: all of the site.

    Returns
    -------
    Reallocated
        The lines with what was withdrawn, what they got instead, and what they miss now.

    Raises
    ------
    Conflict
        Stock was taken or stopped while this was planned; nothing is changed, the next round sees it.
    """
    # The ledger names no actor for what nobody did.
    caller = by if isinstance(by, Caller) else Caller(cast("int", None), by, "rimekeep", frozenset())
    site_id = caller.site_id
    take_turns(session, f"allocation at site {site_id}")
    seen = queries.unfit_reservations(session, now, site_id, line_ids)
    if not seen:
        return Reallocated(())
    orders.lock_orders(session, site_id, {one.order_id for one in seen})
    queries.lock_lists(session, {one.order_id for one in seen})
    # Looked at once more: until the orders were locked pickers may have taken some of it.
    unfit = queries.unfit_reservations(session, now, site_id, {one.line_id for one in seen})
    if not unfit:
        return Reallocated(())
    lines, order_ids = {one.line_id for one in unfit}, sorted({one.order_id for one in unfit})
    _give_back(session, unfit)
    before = {one.allocation_id for one in queries.unlisted(session, site_id, lines)}
    facts = queries.wave_facts(session, now, site_id, order_ids, line_ids=lines, states=queries.LOOKED_AFTER)
    plan = planned(facts)
    reserve(session, now, site_id, plan.wave.takes)
    note_shorts(session, now, site_id, plan)
    new = [one for one in queries.unlisted(session, site_id, lines) if one.allocation_id not in before]
    changed = _change_work(session, now, site_id, unfit, new)
    _settle(session, now, caller, order_ids, changed, served={one.order_id for one in new})
    told = _told(unfit, answer_of(plan).lines)
    _record(session, now, caller, told)
    return told


def _give_back(session: Session, unfit: Sequence[Unfit]) -> None:
    by_content: Counter[int] = Counter()
    for one in unfit:
        by_content[one.content_id] += one.cases
    stock_usecases.return_many(session, by_content)
    for ids in parts([one.allocation_id for one in unfit]):
        session.execute(
            update(Allocated)
            .where(col(Allocated.id).in_(ids))
            .values(state=AllocationState.RETURNED)
            .execution_options(synchronize_session=False)
        )


@dataclass(slots=True)
class _Work:
    """The open lists of the orders, and those walked for several of them: next stops by list."""

    by_id: dict[int, PickList]
    by_place: dict[tuple[int, int], PickList]
    next_stop: dict[int, int]


def _change_work(
    session: Session, now: datetime, site_id: int, unfit: Sequence[Unfit], new: Sequence[Replacement]
) -> set[int]:
    """Withdraw or move the picks made of what went back; return the lists that changed."""
    listed = [one for one in unfit if one.pick_id is not None]
    if not listed:
        return set()
    work = _open_work(session, site_id, listed)
    waiting: dict[int, list[Replacement]] = defaultdict(list)
    of_work = {one.line_id for one in listed}
    for replacement in reversed(new):
        if replacement.line_id in of_work:
            waiting[replacement.line_id].append(replacement)
    stops: dict[int, list[tuple[int, int]]] = defaultdict(list)
    first: dict[int, Unfit] = {}
    moved: set[int] = set()
    walks: dict[int, list[int]] = defaultdict(list)
    for one in listed:
        first.setdefault(one.line_id, one)
        if one.list_state == ListState.READY and _move(session, work, one, waiting[one.line_id]):
            moved.add(one.allocation_id)
            walks[one.list_id or 0].append(one.pick_id or 0)
    for line_id, replacements in waiting.items():
        for replacement in reversed(replacements):
            pick = _append(session, now, site_id, work, first[line_id], replacement)
            stops[line_id].append((pick.list_id, pick.stop))
            walks[pick.list_id].append(pick.id)
    for one in listed:
        if one.allocation_id not in moved and one.pick_id is not None:
            own = [stop for on_list, stop in stops[one.line_id] if on_list == one.list_id]
            elsewhere = len(stops[one.line_id]) > len(own)
            note = note_withdrawn(one.lot_code, one.sscc, one.reason, own, is_elsewhere=elsewhere)
            session.execute(
                update(Pick)
                .where(col(Pick.id) == one.pick_id)
                .values(state=PickState.WITHDRAWN, reason=unfit_text(one.reason), note=note, done_at=now)
                .execution_options(synchronize_session=False)
            )
    session.flush()
    for list_id in sorted(walks):
        walk_again(session, site_id, list_id, walks[list_id])
    return {one.list_id for one in listed if one.list_id is not None}


def _open_work(session: Session, site_id: int, listed: Sequence[Unfit]) -> _Work:
    order_ids, list_ids = {one.order_id for one in listed}, {one.list_id for one in listed}
    lists = session.scalars(
        select(PickList)
        .where(col(PickList.site_id) == site_id)
        .where(col(PickList.order_id).in_(order_ids) | col(PickList.id).in_(list_ids))
        .where(col(PickList.state) != ListState.DONE)
        .order_by(col(PickList.id))
        .execution_options(populate_existing=True)
    ).all()
    last = session.execute(
        select(col(Pick.list_id), func.max(col(Pick.stop)))
        .where(col(Pick.list_id).in_([one.id for one in lists]))
        .group_by(col(Pick.list_id))
    )
    by_place: dict[tuple[int, int], PickList] = {}
    for one in lists:
        if one.order_id is not None:
            by_place.setdefault((one.order_id, one.zone_id), one)
    return _Work({one.id: one for one in lists}, by_place, {list_id: stop + 1 for list_id, stop in last})


def _move(session: Session, work: _Work, one: Unfit, waiting: list[Replacement]) -> bool:
    """Let a stop nobody has begun lead to a replacement in the same room; tell whether one is there."""
    of_list = None if one.list_id is None else work.by_id.get(one.list_id)
    for place in range(len(waiting) - 1, -1, -1):
        if of_list is not None and waiting[place].zone_id == of_list.zone_id:
            replacement = waiting.pop(place)
            session.execute(
                update(Pick)
                .where(col(Pick.id) == one.pick_id)
                .values(allocation_id=replacement.allocation_id, bay_id=replacement.bay_id)
                .execution_options(synchronize_session=False)
            )
            return True
    return False


def _append(
    session: Session, now: datetime, site_id: int, work: _Work, gone: Unfit, replacement: Replacement
) -> Pick:
    """Put a replacement onto the order's list in its room, or onto a new one; return its pick."""
    place = replacement.order_id, replacement.zone_id
    on_list = None if gone.list_id is None else work.by_id.get(gone.list_id)
    if on_list is None or on_list.zone_id != replacement.zone_id:
        on_list = work.by_place.get(place)
    if on_list is None:
        on_list = PickList(
            site_id=site_id,
            order_id=place[0],
            zone_id=place[1],
            state=ListState.READY,
            walk_m=0.0,
            made_at=now,
        )
        session.add(on_list)
        session.flush()
        work.by_place[place], work.next_stop[on_list.id] = on_list, 1
        data = {"list_id": on_list.id, "order_id": place[0], "zone_id": place[1], "replaces": gone.list_id}
        record(session, site_id, Event("pick_list.made", now, data=data))
    stop = work.next_stop[on_list.id]
    work.next_stop[on_list.id] = stop + 1
    own_stop = gone.stop if gone.list_id == on_list.id else None
    pick = Pick(
        site_id=site_id,
        list_id=on_list.id,
        stop=stop,
        walk_no=stop,
        allocation_id=replacement.allocation_id,
        bay_id=replacement.bay_id,
        state=PickState.OPEN,
        note=note_instead(gone.lot_code, gone.reason, own_stop),
    )
    session.add(pick)
    session.flush()
    return pick


def _settle(
    session: Session,
    now: datetime,
    caller: Caller,
    order_ids: Sequence[int],
    changed: Collection[int],
    *,
    served: Collection[int],
) -> None:
    """Close lists and orders that have nothing left to be picked."""
    known = orders.orders_by_id(session, caller.site_id, served)
    # Of one that is half on a truck nothing may be changed, whatever of it has to be picked once more.
    open_ids = {key for key, order in known.items() if order.state != OrderState.LOADED}
    order_usecases.advance_orders(session, caller.site_id, open_ids, OrderState.ALLOCATED)
    for list_id in queries.emptied_lists(session, changed):
        close_list(session, now, caller, list_id)
    for order_id in sorted(set(order_ids) - queries.orders_to_pick(session, order_ids)):
        close_order(session, now, caller, order_id)


def _told(unfit: Sequence[Unfit], lines: Sequence[AllocatedLine]) -> Reallocated:
    gone: dict[int, list[Withdrawn]] = defaultdict(list)
    for one in unfit:
        text = unfit_text(one.reason)
        gone[one.line_id].append(
            Withdrawn(
                one.lot_id, one.lot_code, one.unit_id, one.sscc, one.cases, one.reason, text, one.list_id
            )
        )
    return Reallocated(tuple(ReservedAnew(line, tuple(gone[line.line_id])) for line in lines))


def _record(session: Session, now: datetime, caller: Caller, told: Reallocated) -> None:
    by_order: dict[tuple[int, str], list[ReservedAnew]] = defaultdict(list)
    for one in told.lines:
        by_order[one.line.order_id, one.line.order_code].append(one)
    for (order_id, code), lines in by_order.items():
        data = {
            "order_id": order_id,
            "code": code,
            "withdrawn": [
                {
                    "line_no": one.line.line_no,
                    "lot_id": gone.lot_id,
                    "unit_id": gone.unit_id,
                    "cases": gone.cases,
                    "reason": gone.reason,
                }
                for one in lines
                for gone in one.withdrawn
            ],
            "taken": [
                {
                    "line_no": one.line.line_no,
                    "lot_id": taken.lot_id,
                    "unit_id": taken.unit_id,
                    "cases": taken.cases,
                    "expires_on": taken.expires_on.isoformat(),
                    "promised_on": taken.promised_on.isoformat(),
                }
                for one in lines
                for taken in one.line.taken
            ],
            "short": [
                {"line_no": one.line.line_no, "cases": one.line.short.cases, "reason": one.line.short.reason}
                for one in lines
                if one.line.short is not None
            ],
        }
        cases = sum(taken.cases for one in lines for taken in one.line.taken)
        record(
            session,
            caller.site_id,
            Event("order.reallocated", now, actor_id=caller.id, cases=cases, data=data),
        )
    news = [
        {
            "order": one.line.order_code,
            "customer": one.line.customer_code,
            "sku": one.line.sku,
            "withdrawn_cases": one.withdrawn_cases,
            "replaced_cases": sum(taken.cases for taken in one.line.taken),
            "short_cases": 0 if one.line.short is None else one.line.short.cases,
            "text": one.withdrawn[0].text,
        }
        for one in told.lines
    ]
    announce(
        session, caller.site_id, Notice("orders.reallocated", now, {"lines": news[:NEWS], "count": len(news)})
    )
