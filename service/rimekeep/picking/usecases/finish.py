"""Carry out one pick: move the cases, serve the rest anew, close list and order where it was their last."""

from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.states import OrderState
from rimekeep.picking import queries
from rimekeep.picking.core.outcomes import Outcome, line_done, line_less
from rimekeep.picking.core.records import SHORT_PICK
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.queries import PickFacts
from rimekeep.picking.tables import Allocated, PickList, ShortLine
from rimekeep.picking.usecases.building import lock_units, unit_for
from rimekeep.picking.usecases.instead import AddedStop, serve_rest, told_stops
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.states import QaState, UnitState, ZoneKind
from rimekeep.stock.tables import Unit
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Picked:
    """What one confirmation did: where the cases are now, and what is left to do."""

    pick_id: int
    state: str
    picked_cases: int
    to_unit_id: int | None
    to_sscc: str | None
    picks_left: int
    is_list_done: bool
    is_order_picked: bool
    outcome: Outcome
    line: str
    added: tuple[AddedStop, ...] = ()
    # Where stops were added: the list's open picks in the order of work they have now.
    order: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """
    What the picker says of a stop.

    ``cases`` were taken, ``set_aside`` broken ones put on hold. ``device_at`` is the time by the device's own
    clock: it stays on record as it was said, and nothing is reckoned by it.
    """

    outcome: Outcome
    cases: int
    reason: str = ""
    set_aside: int = 0
    device_at: datetime | None = None
    # A substitute's stop is complete with fewer cases than the stop asked for first.
    missing: int = 0
    not_from: int | None = None


# What the ledger calls it.
EVENTS = {
    Outcome.DONE: "pick.confirmed",
    Outcome.SHORT: "pick.short",
    Outcome.DAMAGED: "pick.damaged",
    Outcome.NOT_FOUND: "pick.not-found",
    Outcome.SUBSTITUTED: "pick.substituted",
}


def finish_pick(session: Session, now: datetime, caller: Caller, pick: PickFacts, said: Report) -> Picked:
    """Move the cases, mark the pick, serve the rest, and close list and order where this was their last."""
    cases, reason = said.cases, said.reason
    if said.outcome != Outcome.DONE:
        lock_units(session, caller.site_id, pick)
    rest = pick.cases - cases
    state = PickState.SHORT if rest else PickState.DONE
    if said.set_aside:
        pick = _set_aside(session, now, caller, pick, rest, said)
    unit, content_id = _take(session, now, caller, pick, cases) if cases else (None, pick.content_id)
    if rest:
        _give_up(session, now, caller, pick, rest, said)
    session.execute(
        update(Allocated)
        .where(col(Allocated.id) == pick.allocation_id)
        .values(
            content_id=content_id,
            cases=cases or pick.cases,
            state=AllocationState.PICKED if cases else AllocationState.RETURNED,
        )
        .execution_options(synchronize_session=False)
    )
    table = SQLModel.metadata.tables["pick"]
    marked = session.execute(
        update(table)
        .where(table.c.id == pick.pick_id, table.c.state == PickState.OPEN)
        .values(
            state=state,
            picked_cases=cases,
            to_unit_id=None if unit is None else unit.id,
            reason=reason,
            done_at=now,
        )
    )
    if marked.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict("pick-done", say("Stop {stop} was done by somebody else just now.", stop=pick.stop))
    data: dict[str, object] = {
        "order_id": pick.order_id,
        "code": pick.order_code,
        "line_id": pick.line_id,
        "pick_id": pick.pick_id,
        "list_id": pick.list_id,
        "wanted": pick.cases,
    }
    if said.device_at is not None:
        data["device_at"] = said.device_at.isoformat()
    record(
        session,
        caller.site_id,
        Event(
            EVENTS[said.outcome],
            now,
            actor_id=caller.id,
            lot_id=pick.lot_id,
            unit_id=pick.unit_id if unit is None else unit.id,
            cases=cases,
            reason=reason or None,
            data=data,
        ),
    )
    added: tuple[AddedStop, ...] = ()
    if rest or said.missing:
        is_short = said.outcome in (Outcome.SHORT, Outcome.NOT_FOUND)
        added = serve_rest(session, now, caller, pick, is_short=is_short, not_from=said.not_from)
    on_list, of_order = queries.picks_left(session, pick.order_id, pick.list_id)
    if not on_list:
        close_list(session, now, caller, pick.list_id)
    is_picked = of_order == 0 and close_order(session, now, caller, pick.order_id)
    return Picked(
        pick_id=pick.pick_id,
        state=state,
        picked_cases=cases,
        to_unit_id=None if unit is None else unit.id,
        to_sscc=None if unit is None else unit.sscc,
        picks_left=on_list,
        is_list_done=on_list == 0,
        is_order_picked=is_picked,
        outcome=said.outcome,
        line=_line(pick, said, unit, on_list, added),
        added=added,
        order=queries.open_picks(session, pick.list_id) if added else (),
    )


def _line(
    pick: PickFacts, said: Report, unit: Unit | None, picks_left: int, added: tuple[AddedStop, ...]
) -> str:
    if said.outcome == Outcome.DONE:
        return line_done(pick.stop, said.cases, None if unit is None else unit.sscc, picks_left)
    return line_less(said.outcome, pick.stop, said.cases, said.set_aside, told_stops(pick, added), picks_left)


def _set_aside(
    session: Session, now: datetime, caller: Caller, pick: PickFacts, rest: int, said: Report
) -> PickFacts:
    """Put the broken cases on hold; what the pick does not take is no longer reserved."""
    if rest:
        stock_usecases.return_cases(session, pick.content_id, rest)
    stock_usecases.set_aside(
        session, now, caller, content_id=pick.content_id, cases=said.set_aside, reason=said.reason
    )
    return replace(pick, content_cases=pick.content_cases - said.set_aside)


def _take(session: Session, now: datetime, caller: Caller, pick: PickFacts, cases: int) -> tuple[Unit, int]:
    """Take the pallet to staging, or the cases onto the list's own unit; return it and the content."""
    if pick.is_whole_unit and cases == pick.content_cases:
        zone_id = staging_zone(session, caller.site_id) or pick.zone_id
        unit = stock_usecases.pick_whole_unit(session, now, caller, unit_id=pick.unit_id, zone_id=zone_id)
        return unit, pick.content_id
    unit = unit_for(session, now, caller, pick, cases)
    taken = stock_usecases.take_cases(
        session, now, caller, content_id=pick.content_id, cases=cases, to_unit_id=unit.id
    )
    return unit, taken.id


def _give_up(
    session: Session, now: datetime, caller: Caller, pick: PickFacts, rest: int, said: Report
) -> None:
    """Return what was not taken and tell the line; where cases are missing have the pallet counted first."""
    short = session.get(ShortLine, pick.line_id, populate_existing=True)
    if short is None:
        short = ShortLine(line_id=pick.line_id, site_id=caller.site_id, cases=rest, reason=SHORT_PICK, at=now)
        session.add(short)
    else:
        short.cases, short.reason, short.at = short.cases + rest, SHORT_PICK, now
    session.flush()
    if said.outcome == Outcome.DAMAGED:
        return
    reason = said.reason
    stock_usecases.return_cases(session, pick.content_id, rest)
    unit = session.get(Unit, pick.unit_id, populate_existing=True)
    if unit is not None and unit.state == UnitState.IN_STORE and unit.qa_state == QaState.RELEASED:
        stock_usecases.hold_unit(
            session, now, caller, unit_id=unit.id, reason=f"count wanted, pick was short: {reason}"[:500]
        )
    data = {
        "sscc": pick.sscc,
        "bay": pick.bay_code,
        "sku": pick.sku,
        "lot": pick.lot_code,
        "order": pick.order_code,
        "wanted": pick.cases,
        "missing": rest,
        "recorded_cases": pick.content_cases,
        "reason": reason,
    }
    announce(session, caller.site_id, Notice("count.wanted", now, data))


def staging_zone(session: Session, site_id: int) -> int | None:
    """Return where picked goods wait: the first staging zone, else the first dock, else None."""
    zones = stock.zones(session, site_id)
    for kind in (ZoneKind.STAGING, ZoneKind.DOCK):
        for zone in zones:
            if zone.kind == kind:
                return zone.id
    return None


def close_list(session: Session, now: datetime, caller: Caller, list_id: int) -> None:
    """Mark a list done and bring the units built on it to staging."""
    session.execute(
        update(PickList)
        .where(col(PickList.id) == list_id)
        .values(state=ListState.DONE, leased_until=None, done_at=now)
        .execution_options(synchronize_session="fetch")
    )
    zone_id = staging_zone(session, caller.site_id)
    if zone_id is not None:
        for unit in queries.built_units(session, list_id):
            if unit.zone_id != zone_id:
                stock_usecases.move_unit(session, now, caller, unit_id=unit.id, zone_id=zone_id)


def close_order(session: Session, now: datetime, caller: Caller, order_id: int) -> bool:
    """Note that an order is picked, if anything of it was; an order nothing was found for is open again."""
    picked = queries.order_allocations(session, caller.site_id, [order_id], states=(AllocationState.PICKED,))
    if not picked:
        order_usecases.set_state(session, order_id, OrderState.OPEN)
        return False
    order = orders.order(session, caller.site_id, order_id)
    if order.state != OrderState.LOADED:
        order_usecases.set_state(session, order_id, OrderState.PICKED)
    data = {
        "order_id": order.id,
        "code": order.code,
        "units": sorted({one.unit_id for one in picked}),
    }
    cases = sum(one.cases for one in picked)
    record(session, caller.site_id, Event("order.picked", now, actor_id=caller.id, cases=cases, data=data))
    return True
