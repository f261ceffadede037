"""Reserved stock that is no longer good for the line it is reserved for."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.orders import queries as orders
from rimekeep.orders.tables import LastDelivered, OrderLine, SalesOrder
from rimekeep.picking.core.allocation import Reason
from rimekeep.picking.core.allocation.records import least_days_left
from rimekeep.picking.core.records import GONE
from rimekeep.picking.core.states import AllocationState, PickState
from rimekeep.picking.core.wave import total_days
from rimekeep.picking.queries.allocations import Promised, promised
from rimekeep.picking.queries.wave import LOOKED_AFTER
from rimekeep.picking.tables import Allocated, Pick, PickList
from rimekeep.platform.database import parts
from rimekeep.shelflife import queries as shelflife
from rimekeep.shelflife.queries import LastDays
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.tables import Lot, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class Unfit:
    """A reservation that has to go, why, and the pick that was made of it."""

    allocation_id: int
    line_id: int
    order_id: int
    content_id: int
    cases: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    reason: str
    pick_id: int | None
    stop: int | None
    list_id: int | None
    list_state: str | None


_RESERVED: Select[*tuple[Any, ...]] = (
    select(
        col(Allocated.id),
        col(Allocated.line_id),
        col(OrderLine.order_id),
        col(Allocated.content_id),
        col(Allocated.cases),
        col(Unit.id),
        col(Unit.sscc),
        col(Lot.id),
        col(Lot.code),
        col(Pick.id),
        col(Pick.stop),
        col(Pick.list_id),
        col(PickList.state),
        col(Unit.state),
        col(Unit.qa_state),
        col(Lot.qa_state),
        col(Lot.packaged_at),
        col(Lot.best_before_on),
        col(SalesOrder.deliver_on),
        col(SalesOrder.customer_id),
        col(Lot.product_id),
        col(LastDelivered.printed_on),
    )
    .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
    .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
    .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
    .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
    .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
    .outerjoin(Pick, (col(Pick.allocation_id) == col(Allocated.id)) & (col(Pick.state) == PickState.OPEN))
    .outerjoin(PickList, col(PickList.id) == col(Pick.list_id))
    .outerjoin(
        LastDelivered,
        (col(LastDelivered.customer_id) == col(SalesOrder.customer_id))
        & (col(LastDelivered.product_id) == col(Lot.product_id)),
    )
    .where(col(Allocated.state) == AllocationState.RESERVED, col(SalesOrder.state).in_(LOOKED_AFTER))
    .order_by(col(Allocated.id))
)
_TOLD = 9  # columns that lead each row above: the reservation
_PICK = 13  # and its pick
_CUSTOMER = 19


def unfit_reservations(
    session: Session, now: datetime, site_id: int, line_ids: Collection[int] | None = None
) -> list[Unfit]:
    """
    Return the reservations, not picked yet, that may not serve their line any more; of these lines or of all.

    Stopped by QA, no longer in store, too old by a date that was shortened or by a life that moved, behind
    what the customer was delivered since, or out of sequence with what they are promised for other days: the
    rules are those of the allocation. Of two reservations out of sequence the later delivery gives way.
    """
    statement = _RESERVED.where(col(Allocated.site_id) == site_id)
    if line_ids is None:
        rows = session.execute(statement).all()
    else:
        rows = [
            row
            for ids in parts(line_ids)
            for row in session.execute(statement.where(col(Allocated.line_id).in_(ids)))
        ]
    if not rows:
        return []
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    today = now.astimezone(zone).date()
    rules = orders.line_rules(session, site_id, {row[1] for row in rows})
    days = shelflife.last_days_by_content(session, site_id, {row[3] for row in rows})
    careful = {row[_CUSTOMER] for row in rows if rules[row[1]].no_backward_date}
    beside = _by_pair(promised(session, site_id, careful))
    found = []
    for row in rows:
        (
            unit_state,
            unit_qa,
            lot_qa,
            packaged_at,
            printed_on,
            deliver_on,
            customer_id,
            product_id,
            last_on,
        ) = row[_PICK:]
        rule, life = rules[row[1]], days.get(row[3], LastDays(printed_on, printed_on))
        others = beside.get((customer_id, product_id), ()) if rule.no_backward_date else ()
        before = [one.newest_on for one in others if one.deliver_on < deliver_on]
        if rule.no_backward_date and last_on is not None:
            before.append(last_on)
        picked = [one.oldest_picked_on for one in others if one.deliver_on > deliver_on]
        total = total_days(packaged_at, printed_on, zone)
        least = least_days_left(rule.min_life_days, rule.min_life_fraction, total)
        reason = _reason(
            is_here=unit_state == UnitState.IN_STORE,
            is_released=unit_qa == lot_qa == QaState.RELEASED,
            spare_days=(min(life.expires_on, printed_on) - max(deliver_on, today)).days - least,
            spare_promised_days=(life.promised_on - max(deliver_on, today)).days - least,
            is_behind=any(printed_on < day for day in before),
            is_ahead=any(day is not None and printed_on > day for day in picked),
        )
        if reason is not None:
            facts: list[Any] = [*row[:_TOLD], reason, *row[_TOLD:_PICK]]
            found.append(Unfit(*facts))
    return found


def _reason(
    *,
    is_here: bool,
    is_released: bool,
    spare_days: int,
    spare_promised_days: int,
    is_behind: bool,
    is_ahead: bool,
) -> str | None:
    if not is_here:
        return GONE
    if not is_released:
        return Reason.HELD
    if spare_days < 0:
        return Reason.TOO_OLD
    if spare_promised_days < 0:
        return Reason.PROMISE_TOO_SHORT
    if is_behind:
        return Reason.OLDER_THAN_LAST
    return Reason.NEWER_THAN_NEXT if is_ahead else None


def _by_pair(reserved: Sequence[Promised]) -> dict[tuple[int, int], list[Promised]]:
    found: dict[tuple[int, int], list[Promised]] = defaultdict(list)
    for one in reserved:
        found[one.customer_id, one.product_id].append(one)
    return found


@dataclass(frozen=True, slots=True)
class Replacement:
    """A reservation that no pick was made of yet, and where its cases stand."""

    allocation_id: int
    line_id: int
    order_id: int
    zone_id: int
    bay_id: int | None


def unlisted(session: Session, site_id: int, line_ids: Collection[int]) -> list[Replacement]:
    """Return what is reserved for these lines and on no list, in the order it was reserved."""
    listed = (
        select(col(Pick.id))
        .where(col(Pick.allocation_id) == col(Allocated.id), col(Pick.state) == PickState.OPEN)
        .exists()
    )
    found: list[Replacement] = []
    for ids in parts(line_ids):
        statement = (
            select(
                col(Allocated.id),
                col(Allocated.line_id),
                col(OrderLine.order_id),
                col(Unit.zone_id),
                col(Unit.bay_id),
            )
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .where(col(Allocated.site_id) == site_id, col(Allocated.line_id).in_(ids))
            .where(col(Allocated.state) == AllocationState.RESERVED, ~listed)
            .order_by(col(Allocated.id))
        )
        found += [Replacement(*row) for row in session.execute(statement)]
    return found
