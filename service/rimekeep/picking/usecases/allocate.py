"""
Decide which stock serves which orders, and reserve it.

One allocation of a site runs at a time: the second sees what the first reserved and plans around it, so
nobody is sent back to try again. The conditional update of the stock itself is the last guard.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.records import OpenLine
from rimekeep.orders.core.states import OrderState
from rimekeep.picking import queries
from rimekeep.picking.core.records import AllocatedLine, TakenCases, WaveAnswer
from rimekeep.picking.core.states import AllocationState
from rimekeep.picking.core.wave import Take, Wave, plan_wave, told
from rimekeep.picking.queries import BY_NAME, IN_WAVE, WaveFacts
from rimekeep.picking.usecases.shorts import forget_shorts
from rimekeep.platform.database import bulk_insert, let_go, take_turns
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say

# What would serve a short line is worked out for this many; the order itself tells it for every line.
WITH_WAYS = 200


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which orders: all that ship on a day, or those named."""

    ship_on: date | None = None
    order_ids: Collection[int] | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """Lines with what they had, and what the wave gives them."""

    lines: list[OpenLine]
    had: Mapping[int, int]
    wave: Wave
    promises_by: PromisesBy


def preview_allocation(session: Session, now: datetime, caller: Caller, chosen: Chosen) -> WaveAnswer:
    """Return what `allocate_orders` would do now; changes nothing, and holds no lock while it plans."""
    facts = queries.wave_facts(session, now, caller.site_id, _order_ids(session, caller.site_id, chosen))
    let_go(session)
    return answer_of(planned(facts))


def allocate_orders(session: Session, now: datetime, caller: Caller, chosen: Chosen) -> WaveAnswer:
    """
    Reserve stock for what the orders still miss; what they have already is left as it is.

    Raises
    ------
    Missing
        An order named is not there.
    Conflict
        An order named is past allocation, or stock was stopped while this was planned.
    """
    take_turns(session, f"allocation at site {caller.site_id}")
    order_ids = orders.lock_orders(session, caller.site_id, _order_ids(session, caller.site_id, chosen))
    plan = planned(queries.wave_facts(session, now, caller.site_id, order_ids))
    reserve(session, now, caller.site_id, plan.wave.takes)
    note_shorts(session, now, caller.site_id, plan)
    order_of = {line.line_id: line.order_id for line in plan.lines}
    served = {order_of[take.line_id] for take in plan.wave.takes}
    order_usecases.advance_orders(session, caller.site_id, served, OrderState.ALLOCATED)
    answer = answer_of(plan)
    _record(session, now, caller, answer)
    return answer


def _order_ids(session: Session, site_id: int, chosen: Chosen) -> list[int]:
    if chosen.ship_on is not None:
        on_day = orders.order_ids_on(session, site_id, chosen.ship_on, IN_WAVE)
        return sorted({*on_day, *queries.raised_orders(session, site_id, chosen.ship_on)})
    order_ids = chosen.order_ids or ()
    orders.check_orders(session, site_id, order_ids)
    found = orders.orders_by_id(session, site_id, order_ids)
    for order in found.values():
        if order.state not in BY_NAME:
            raise Conflict(
                "order-state",
                say(
                    "Order {code} is {state}; nothing is allocated to it any more.",
                    code=order.code,
                    state=order.state,
                ),
                data={"order_id": order.id, "state": str(order.state)},
            )
    return sorted(found)


def planned(facts: WaveFacts) -> Plan:
    """Return which stock serves what is asked."""
    wave = plan_wave(
        facts.free,
        facts.asked,
        expires_on=facts.expires_on,
        promised_on=facts.promised_on,
        zone=facts.zone,
        mixed_units=facts.mixed_units,
    )
    had = {line_id: cases for line_id, (cases, _) in facts.had.items()}
    return Plan(facts.lines, had, wave, facts.promises_by)


def reserve(session: Session, now: datetime, site_id: int, takes: list[Take]) -> None:
    """Promise the stock to the lines, all or nothing; raises Conflict where it is not free any more."""
    wanted: dict[int, int] = defaultdict(int)
    for take in takes:
        wanted[take.content.content_id] += take.cases
    stock_usecases.reserve_many(session, wanted)
    rows = [
        {
            "site_id": site_id,
            "line_id": take.line_id,
            "content_id": take.content.content_id,
            "cases": take.cases,
            "how": str(take.how),
            "state": str(AllocationState.RESERVED),
            "at": now,
        }
        for take in takes
    ]
    bulk_insert(session, SQLModel.metadata.tables["allocation"], rows)


def note_shorts(session: Session, now: datetime, site_id: int, plan: Plan) -> None:
    """Replace what was known to be short of these lines by what is short now."""
    forget_shorts(session, [line.line_id for line in plan.lines])
    rows = [
        {"line_id": line_id, "site_id": site_id, "cases": why.cases, "reason": str(why.reason), "at": now}
        for line_id, why in plan.wave.short.items()
    ]
    bulk_insert(session, SQLModel.metadata.tables["short_line"], rows)


def answer_of(plan: Plan) -> WaveAnswer:
    """Return the plan as it is told."""
    taken: dict[int, list[TakenCases]] = defaultdict(list)
    for take in plan.wave.takes:
        one = take.content
        taken[take.line_id].append(
            TakenCases(
                content_id=one.content_id,
                unit_id=one.unit_id,
                sscc=one.sscc,
                lot_id=one.lot_id,
                lot_code=one.lot_code,
                best_before_on=one.best_before_on,
                expires_on=take.expires_on,
                promised_on=take.promised_on,
                cases=take.cases,
                how=str(take.how),
                zone_id=one.zone_id,
                bay_code=one.bay_code,
            )
        )
    wave = plan.wave
    first = set(list(wave.short)[:WITH_WAYS])
    short = {line_id: told(why, with_ways=line_id in first) for line_id, why in wave.short.items()}
    lines = tuple(
        AllocatedLine(
            line_id=line.line_id,
            line_no=line.line_no,
            order_id=line.order_id,
            order_code=line.order_code,
            customer_code=line.customer_code,
            product_id=line.product_id,
            sku=line.sku,
            cases=line.cases,
            had=plan.had.get(line.line_id, 0),
            taken=tuple(taken.get(line.line_id, ())),
            short=short.get(line.line_id),
        )
        for line in plan.lines
    )
    return WaveAnswer(
        wave.wanted, wave.served, wave.bound, wave.is_proven, lines, promises_by=str(plan.promises_by)
    )


def _record(session: Session, now: datetime, caller: Caller, answer: WaveAnswer) -> None:
    by_order: dict[tuple[int, str], list[AllocatedLine]] = defaultdict(list)
    for line in answer.lines:
        if line.taken or line.short:
            by_order[line.order_id, line.order_code].append(line)
    for (order_id, code), lines in by_order.items():
        data = {
            "order_id": order_id,
            "code": code,
            "promises_by": answer.promises_by,
            "taken": [
                {
                    "line_no": line.line_no,
                    "lot_id": one.lot_id,
                    "unit_id": one.unit_id,
                    "cases": one.cases,
                    "expires_on": one.expires_on.isoformat(),
                    "promised_on": one.promised_on.isoformat(),
                }
                for line in lines
                for one in line.taken
            ],
            "short": [
                {"line_no": line.line_no, "cases": line.short.cases, "reason": line.short.reason}
                for line in lines
                if line.short is not None
            ],
        }
        cases = sum(one.cases for line in lines for one in line.taken)
        record(
            session, caller.site_id, Event("order.allocated", now, actor_id=caller.id, cases=cases, data=data)
        )
    short = [line for line in answer.lines if line.short is not None]
    if short:
        news = [
            {
                "order": line.order_code,
                "customer": line.customer_code,
                "sku": line.sku,
                "cases": line.short.cases,
                "reason": line.short.reason,
                "text": line.short.text,
            }
            for line in short
            if line.short is not None
        ]
        announce(
            session, caller.site_id, Notice("orders.short", now, {"lines": news[:200], "count": len(news)})
        )
