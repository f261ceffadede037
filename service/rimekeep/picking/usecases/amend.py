"""Change an order that stock serves already, and give back cleanly what the change sets free."""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.errors import Conflict, missing, refused
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.records import OrderChange
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking import queries
from rimekeep.picking.core.allocation import Line, LotStock
from rimekeep.picking.core.allocation.rules import eligible
from rimekeep.picking.core.scan import read_scan
from rimekeep.picking.core.states import AllocationState
from rimekeep.picking.core.wave import total_days
from rimekeep.picking.queries import Serving
from rimekeep.picking.tables import Allocated, ShortLine
from rimekeep.picking.usecases.release import (
    GivenBack,
    Piece,
    give_back,
    keep_surplus,
    latest_first,
    settle_order,
    take_off,
    told,
)
from rimekeep.picking.usecases.shorts import forget_shorts
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Amended:
    """
    What a change did.

    ``given_back`` serves the order no longer. ``unfit`` is picked and does not meet the order's rules as they
    are now: it stays, people decide whether to send it.
    """

    order: SalesOrder
    given_back: list[GivenBack]
    unfit: list[GivenBack]


def amend_order(
    session: Session, now: datetime, caller: Caller, *, order_id: int, change: OrderChange, reason: str
) -> Amended:
    """
    Change days, place, priority and lines of an order that is not on a truck.

    Cases a line does not want any more are given back: reserved ones first, latest expiry first, then picked
    ones. After a change of days or rules, what is reserved and does not fit any longer is given back too.

    Raises
    ------
    Conflict
        The order is on a truck, gone or cancelled.
    Invalid
        The change cannot be meant.
    """
    order = orders.order(session, caller.site_id, order_id, is_locked=True)
    order_usecases.require_amendable(order)
    order_usecases.check_change(session, order, change)
    given = _fit_lines(session, now, caller, order, change, f"order {order.code} changed: {reason}")
    gone = {line.id for line in _lines_off(session, order, change)}
    forget_shorts(session, gone)
    facts = order_usecases.apply_change(
        session, order, change, kept=queries.lines_with_history(session, order_id)
    )
    refitted, unfit = _recheck(session, now, caller, order, facts.rechecked, reason)
    given += refitted
    _lower_shorts(session, order_id)
    settle_order(session, now, caller, order_id)
    if facts.before or facts.after or given:
        data = {
            "order_id": order_id,
            "code": order.code,
            "before": facts.before,
            "after": facts.after,
            "given_back": told(given),
            "unfit": told(unfit),
        }
        cases = sum(one.cases for one in given)
        event = Event("order.amended", now, actor_id=caller.id, cases=cases, reason=reason, data=data)
        record(session, caller.site_id, event)
    session.flush()
    return Amended(order, given, unfit)


def _lines_off(session: Session, order: SalesOrder, change: OrderChange) -> list[OrderLine]:
    off = {one.line_no for one in change.lines if one.cases == 0}
    return [line for line in orders.lines_of(session, order.id) if line.line_no in off]


def _fit_lines(
    session: Session, now: datetime, caller: Caller, order: SalesOrder, change: OrderChange, reason: str
) -> list[GivenBack]:
    """Let every changed line be served with no more cases than it wants now."""
    wanted = {one.line_no: one.cases for one in change.lines if one.cases is not None}
    reserved: list[Piece] = []
    picked: list[Piece] = []
    by_line: dict[int, list[Serving]] = {}
    for one in queries.serving(session, order.id):
        by_line.setdefault(one.line_no, []).append(one)
    for line_no, cases in wanted.items():
        there = by_line.get(line_no, [])
        states = {
            state: [one for one in there if one.state == state]
            for state in (AllocationState.RESERVED, AllocationState.PICKED, AllocationState.SURPLUS)
        }
        surplus = states.pop(AllocationState.SURPLUS)
        over = sum(one.cases for members in states.values() for one in members) - cases
        if over < 0:
            keep_surplus(session, now, caller.site_id, surplus, -over)
            continue
        some = latest_first(session, caller.site_id, states[AllocationState.RESERVED], over)
        reserved += some
        over -= sum(cases for _, cases in some)
        picked += latest_first(session, caller.site_id, states[AllocationState.PICKED], over)
    given = give_back(session, now, caller, reserved, reason)
    return given + take_off(session, now, caller, picked, reason)


def _recheck(
    session: Session,
    now: datetime,
    caller: Caller,
    order: SalesOrder,
    line_ids: Collection[int],
    reason: str,
) -> tuple[list[GivenBack], list[GivenBack]]:
    """Give back reserved cases that no longer meet their line's rules; return them, and picked ones alike."""
    if not line_ids:
        return [], []
    live = queries.serving(
        session, order.id, line_ids=line_ids, states=(AllocationState.RESERVED, AllocationState.PICKED)
    )
    why = _broken_rules(session, now, order, live)
    reserved: dict[str, list[Piece]] = {}
    unfit: list[GivenBack] = []
    for one in live:
        if one.allocation_id not in why:
            continue
        text = f"order {order.code} changed ({reason}). {why[one.allocation_id]}"
        if one.state == AllocationState.RESERVED:
            reserved.setdefault(text, []).append((one, one.cases))
        else:
            unfit.append(
                GivenBack(
                    one.line_no, one.cases, one.state, one.unit_id, one.sscc, one.lot_id, one.lot_code, text,
                    is_free=False,
                )
            )  # fmt: skip
    given = [
        back for text, pieces in reserved.items() for back in give_back(session, now, caller, pieces, text)
    ]
    return given, unfit


def _broken_rules(
    session: Session, now: datetime, order: SalesOrder, live: Sequence[Serving]
) -> dict[int, str]:
    """Return, by allocation, in plain words which rule of its line it breaks."""
    rules = orders.line_rules(session, order.site_id, {one.line_id for one in live})
    zone = ZoneInfo(site_of(session, order.site_id).time_zone)
    today = now.astimezone(zone).date()
    days = shelflife.last_days_by_content(session, order.site_id, {one.content_id for one in live})
    beside = queries.promised_beside(session, order, {one.product_id for one in live})
    delivered = orders.last_delivered(session, order.customer_id, {one.product_id for one in live})
    broken: dict[int, str] = {}
    for one in live:
        rule = rules[one.line_id]
        last, following = None, None
        if rule.no_backward_date:
            before, following = beside.get(one.product_id, (None, None))
            days_before = (before, delivered.get(one.product_id))
            last = max((day for day in days_before if day is not None), default=None)
        lot = LotStock(
            id=one.allocation_id,
            product=one.product_id,
            cases=one.cases,
            expires_on=days[one.content_id].expires_on,
            received_on=one.received_at.astimezone(zone).date(),
            printed_on=one.best_before_on,
            promised_on=days[one.content_id].promised_on,
            total_days=total_days(one.packaged_at, one.best_before_on, zone),
        )
        line = Line(
            id=one.line_id,
            customer=order.customer_id,
            product=one.product_id,
            cases=one.cases,
            ship_on=max(order.ship_on, today),
            deliver_on=max(order.deliver_on, today),
            min_life_days=rule.min_life_days,
            min_life_fraction=rule.min_life_fraction,
            last_delivered_on=last,
            next_delivered_on=following,
        )
        reasons = eligible(lot, line)
        if reasons:
            broken[one.allocation_id] = reasons[0].text
    return broken


def _lower_shorts(session: Session, order_id: int) -> None:
    """Let no line be short of more than it lacks."""
    served: Counter[int] = Counter()
    for one in queries.serving(session, order_id, states=queries.LIVE):
        served[one.line_id] += one.cases
    gone = []
    for short, cases in session.execute(
        select(ShortLine, col(OrderLine.cases))
        .join(OrderLine, col(OrderLine.id) == col(ShortLine.line_id))
        .where(col(OrderLine.order_id) == order_id)
        .execution_options(populate_existing=True)
    ):
        lacking = cases - served[short.line_id]
        if lacking <= 0:
            gone.append(short.line_id)
        else:
            short.cases = min(short.cases, lacking)
    session.flush()
    forget_shorts(session, gone)


@dataclass(frozen=True, slots=True)
class PutBack:
    """Cases taken off an order's unit, and the unit of their own they are on now."""

    id: int
    cases: int
    from_sscc: str
    to_unit_id: int
    to_sscc: str


def confirm_put_back(
    session: Session, now: datetime, caller: Caller, *, put_back_id: int, scan: str
) -> PutBack:
    """
    Confirm that surplus cases were taken off the unit scanned and stand on a unit of their own.

    Raises
    ------
    Conflict
        They were put back already, or are wanted again.
    Refused
        Another unit was scanned.
    """
    task = queries.put_back_task(session, caller.site_id, put_back_id)
    if task is None:
        raise missing("put-back", put_back_id)
    orders.order(session, caller.site_id, task.order_id, is_locked=True)
    row = session.get(Allocated, put_back_id, populate_existing=True)
    if row is None or row.state != AllocationState.SURPLUS:
        raise Conflict(
            "put-back-done",
            say("Nothing is to be put back here any more: it was done, or the cases are wanted again."),
            data={"id": put_back_id, "state": task.state if row is None else str(row.state)},
        )
    scanned = read_scan(scan, reference_year=now.year)
    if scanned.sscc != task.sscc:
        raise refused(
            "wrong-unit",
            "scan",
            say("This is not unit {sscc}.", sscc=task.sscc),
            say(
                "Take {cases} cases of lot {lot_code} off unit {sscc}, and scan that.",
                cases=row.cases,
                lot_code=task.lot_code,
                sscc=task.sscc,
            ),
            {"sscc": task.sscc, "scanned": scan},
        )
    unit, _ = stock_usecases.put_back_cases(session, now, caller, content_id=row.content_id, cases=row.cases)
    row.state = AllocationState.RETURNED
    session.flush()
    return PutBack(row.id, row.cases, task.sscc, unit.id, unit.sscc)
