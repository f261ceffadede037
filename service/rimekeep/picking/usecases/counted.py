"""
Say what holds where a count differs from the record.

Stock is set right by the difference, not to the number counted: what pickers took since the count is neither
lost nor subtracted twice. Where fewer are left than reserved, the latest need gives way, and what it loses
is served anew as far as there is other stock.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.orders import queries as orders
from rimekeep.picking import queries
from rimekeep.picking.core.counts import CountState, Finding, give_way
from rimekeep.picking.core.states import PickState
from rimekeep.picking.queries import BY_NAME
from rimekeep.picking.tables import Allocated, Count, CountLine
from rimekeep.picking.usecases.allocate import Chosen, allocate_orders
from rimekeep.picking.usecases.counting import settle_count
from rimekeep.picking.usecases.making import make_pick_lists
from rimekeep.picking.usecases.release import GivenBack, release_cases
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Unit, UnitContent
from rimekeep.wording import say

_OFF = (Finding.FEWER, Finding.MISSING, Finding.MORE)


@dataclass(frozen=True, slots=True)
class Approved:
    """What an approval did: the count, what lines gave back, and the orders that were served anew."""

    count: Count
    given_back: tuple[GivenBack, ...]
    order_ids: tuple[int, ...]


def approve_count(session: Session, now: datetime, caller: Caller, *, count_id: int, reason: str) -> Approved:
    """
    Set the record right by what a count found.

    Raises
    ------
    Conflict
        There is nothing to decide, or the record was set by hand since the count.
    Refused
        Nobody can say what the count means, as pickers were at it: have it counted again.
    """
    # The same order everywhere: turn, orders, lists, units, cases.
    take_turns(session, f"allocation at site {caller.site_id}")
    count, lines = _waiting(session, caller.site_id, count_id)
    unclear = [line for line in lines if line.finding == Finding.UNCLEAR]
    if unclear:
        raise Refused(
            "count-unclear",
            say(
                "Pallet {sscc} was being picked from while it was counted. Have it counted again.",
                sscc=unclear[0].sscc,
            ),
            data={"sscc": unclear[0].sscc},
        )
    off = [line for line in lines if line.finding in _OFF]
    ids = {line.content_id for line in off if line.content_id is not None}
    claims = queries.claims(session, caller.site_id, ids)
    claiming = {order_id for some in claims.values() for order_id, _ in some}
    orders.lock_orders(session, caller.site_id, claiming)
    queries.lock_lists(session, claiming)
    unit_ids = {line.unit_id for line in lines if line.unit_id is not None}
    units = {unit.id: unit for unit in stock_usecases.locked_units(session, caller.site_id, unit_ids)}
    at = count.counted_at or now
    since = stock.moved_since(session, caller.site_id, ids, at)
    if since.adjusted:
        raise _outdated(say("The record was set by hand since the count."))
    _find_and_move(session, now, caller, count, lines, units)
    given: list[GivenBack] = []
    touched: set[int] = set()
    was_listed: set[int] = set()
    for line in off:
        if line.unit_id is None:
            continue
        pieces = _adjust(session, now, caller, line, units[line.unit_id], reason)
        given += [piece for _, some in pieces for piece in some]
        touched |= {order_id for order_id, some in pieces if some}
    was_listed = {
        order_id
        for some in claims.values()
        for order_id, claim in some
        if claim.begun and order_id in touched
    }
    count.decided_by, count.reason = caller.id, reason
    settle_count(session, now, caller, count, lines, f"counted: {reason}")
    session.flush()
    data = {
        "count_id": count.id,
        "adjusted": [
            {
                "sscc": line.sscc,
                "lot_id": line.lot_id,
                "cases": line.adjusted_cases,
                "finding": str(line.finding),
            }
            for line in off
        ],
        "orders": sorted(touched),
    }
    event = Event("count.approved", now, actor_id=caller.id, reason=reason, data=data)
    record(session, caller.site_id, event)
    _serve_anew(session, now, caller, touched, was_listed)
    return Approved(count, tuple(given), tuple(sorted(touched)))


def dismiss_count(session: Session, now: datetime, caller: Caller, *, count_id: int, reason: str) -> Count:
    """Let the record stand as it is; what was held for the count is released."""
    count, lines = _waiting(session, caller.site_id, count_id)
    count.decided_by, count.reason = caller.id, reason
    settle_count(session, now, caller, count, lines, f"record stands: {reason}")
    session.flush()
    event = Event("count.dismissed", now, actor_id=caller.id, reason=reason, data={"count_id": count.id})
    record(session, caller.site_id, event)
    return count


def count_again(session: Session, now: datetime, caller: Caller, *, count_id: int, reason: str) -> Count:
    """Have a place counted once more, by somebody else."""
    count, _ = _waiting(session, caller.site_id, count_id)
    count.state, count.round, count.reason = CountState.OPEN, count.round + 1, reason
    count.before_id, count.counter_id = count.counter_id, None
    session.flush()
    data = {"count_id": count.id, "round": count.round}
    record(session, caller.site_id, Event("count.again", now, actor_id=caller.id, reason=reason, data=data))
    return count


def _waiting(session: Session, site_id: int, count_id: int) -> tuple[Count, Sequence[CountLine]]:
    count = queries.count(session, site_id, count_id, is_locked=True)
    if count.state != CountState.WAITING:
        raise Conflict(
            "count-not-waiting",
            say("The count is {state}; there is nothing to decide.", state=count.state),
            data={"count_id": count_id, "state": str(count.state)},
        )
    lines = session.scalars(
        select(CountLine)
        .where(col(CountLine.count_id) == count_id, col(CountLine.round) == count.round)
        .order_by(col(CountLine.id))
    ).all()
    return count, lines


def _outdated(fact: str) -> Conflict:
    return Conflict("count-outdated", say("{fact} Have it counted again.", fact=fact))


def _find_and_move(
    session: Session,
    now: datetime,
    caller: Caller,
    count: Count,
    lines: Sequence[CountLine],
    units: dict[int, Unit],
) -> None:
    """Put units on record where they were found, unless they were moved since."""
    at = count.counted_at or now
    for line in lines:
        if line.unit_id is None or line.finding not in (Finding.WRONG_BAY, Finding.FOUND_AGAIN):
            continue
        unit = units[line.unit_id]
        if line.finding == Finding.FOUND_AGAIN and unit.state == UnitState.EMPTY:
            stock_usecases.find_again(session, now, caller, unit, zone_id=count.zone_id, bay_id=count.bay_id)
        elif unit.state == UnitState.IN_STORE and (unit.placed_at is None or unit.placed_at <= at):
            stock_usecases.move_unit(
                session, now, caller, unit_id=unit.id, zone_id=count.zone_id, bay_id=count.bay_id
            )
            lead_picks_to(session, unit.id, count.bay_id)


def lead_picks_to(session: Session, unit_id: int, bay_id: int | None) -> None:
    """Send whoever is to pick from a unit to the bay it stands in now."""
    of_unit = (
        select(col(Allocated.id))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .where(col(UnitContent.unit_id) == unit_id)
    )
    picks = SQLModel.metadata.tables["pick"]
    session.execute(
        update(picks)
        .where(picks.c.allocation_id.in_(of_unit), picks.c.state == PickState.OPEN)
        .values(bay_id=bay_id, note="The pallet stands in another bay now.")
    )


def _adjust(
    session: Session, now: datetime, caller: Caller, line: CountLine, unit: Unit, reason: str
) -> list[tuple[int, list[GivenBack]]]:
    """Change the record of one lot on a unit by what the count differed; return what orders gave back."""
    off = line.counted_cases - line.recorded_cases
    line.adjusted_cases = off
    if line.content_id is None:
        added = stock_usecases.add_cases(
            session, now, caller, unit_id=unit.id, lot_id=line.lot_id or 0, cases=off, reason=reason
        )
        line.content_id = added.id
        return []
    # Usually one; cases that joined others of their lot keep a history of their own.
    contents = session.scalars(
        select(UnitContent)
        .where(col(UnitContent.unit_id) == unit.id, col(UnitContent.lot_id) == line.lot_id)
        .order_by(col(UnitContent.cases).desc(), col(UnitContent.id))
        .execution_options(populate_existing=True)
    ).all()
    if unit.state != UnitState.IN_STORE or sum(one.cases for one in contents) + off < 0:
        raise _outdated(say("Pallet {sscc} was picked since the count.", sscc=unit.sscc))
    given: list[tuple[int, list[GivenBack]]] = []
    for content in contents:
        change = max(off, -content.cases)
        if change:
            given += _change(session, now, caller, unit, content, change, reason)
        off -= change
    return given


def _change(
    session: Session,
    now: datetime,
    caller: Caller,
    unit: Unit,
    content: UnitContent,
    change: int,
    reason: str,
) -> list[tuple[int, list[GivenBack]]]:
    given: list[tuple[int, list[GivenBack]]] = []
    after = content.cases + change
    if after < content.reserved_cases:
        claims = queries.claims(session, caller.site_id, [content.id]).get(content.id, [])
        order_of = {claim.line_id: order_id for order_id, claim in claims}
        by_line: dict[int, int] = defaultdict(int)
        for line_id, cases in give_way((claim for _, claim in claims), content.reserved_cases - after):
            by_line[line_id] += cases
        why = f"counted {-change} cases fewer on pallet {unit.sscc[-6:]}"
        for line_id, cases in by_line.items():
            some = release_cases(session, now, caller, line_id, cases, why, content_id=content.id)
            given.append((order_of[line_id], some))
    stock_usecases.adjust_cases(session, now, caller, content_id=content.id, cases=after, reason=reason)
    return given


def _serve_anew(
    session: Session, now: datetime, caller: Caller, order_ids: set[int], listed: set[int]
) -> None:
    found = orders.orders_by_id(session, caller.site_id, order_ids)
    open_ids = sorted(order_id for order_id, order in found.items() if order.state in BY_NAME)
    if open_ids:
        allocate_orders(session, now, caller, Chosen(order_ids=open_ids))
    if again := sorted(listed & set(open_ids)):
        make_pick_lists(session, now, caller, order_ids=again)
