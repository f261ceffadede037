"""Do reservations, allocations, picks and orders tell one story?"""

from collections.abc import Iterator

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.queries.allocations import HOLDING, LIVE
from rimekeep.picking.tables import Allocated, Pick, PickList
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Unit, UnitContent


def reservations_that_disagree(session: Session, site_id: int) -> Iterator[str]:
    """Yield every place where what is promised and what is reserved, picked or asked for contradict."""
    yield from _stock(session, site_id)
    yield from _lines(session, site_id)
    yield from _work(session, site_id)


def _stock(session: Session, site_id: int) -> Iterator[str]:
    promised = (
        select(col(Allocated.content_id), func.sum(col(Allocated.cases)).label("cases"))
        .where(col(Allocated.site_id) == site_id, col(Allocated.state).in_(HOLDING))
        .group_by(col(Allocated.content_id))
        .subquery()
    )
    cases = func.coalesce(promised.c.cases, 0)
    # What has left the site is no longer reserved; its allocation stays on record.
    statement = (
        select(col(Unit.sscc), col(UnitContent.id), col(UnitContent.reserved_cases), cases)
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .outerjoin(promised, promised.c.content_id == col(UnitContent.id))
        .where(col(UnitContent.site_id) == site_id, col(Unit.state) != UnitState.DEPARTED)
        .where(col(UnitContent.reserved_cases) != cases)
        .order_by(col(UnitContent.id))
    )
    for sscc, content_id, reserved, allocated in session.execute(statement):
        yield f"unit {sscc}: content {content_id} has {reserved} cases reserved, {allocated} allocated"


def _lines(session: Session, site_id: int) -> Iterator[str]:
    served = func.sum(col(Allocated.cases))
    over = (
        select(col(SalesOrder.code), col(OrderLine.line_no), col(OrderLine.cases), served)
        .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .where(col(Allocated.site_id) == site_id, col(Allocated.state).in_(LIVE))
        .group_by(col(SalesOrder.code), col(OrderLine.line_no), col(OrderLine.cases))
        .having(served > col(OrderLine.cases))
    )
    for code, line_no, asked, given in session.execute(over):
        yield f"order {code}, line {line_no}: {given} cases serve the {asked} asked for"
    cancelled = (
        select(col(SalesOrder.code), func.sum(col(Allocated.cases)))
        .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .where(col(Allocated.site_id) == site_id, col(Allocated.state).in_(HOLDING))
        .where(col(SalesOrder.state) == OrderState.CANCELLED)
        .group_by(col(SalesOrder.code))
    )
    for code, cases in session.execute(cancelled):
        yield f"order {code} is cancelled but still holds {cases} cases"


def _work(session: Session, site_id: int) -> Iterator[str]:
    strange = (
        select(col(Pick.id), col(Pick.state), col(Allocated.state))
        .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
        .where(col(Pick.site_id) == site_id)
        .where((col(Pick.state) == PickState.OPEN) != (col(Allocated.state) == AllocationState.RESERVED))
        .order_by(col(Pick.id))
    )
    for pick_id, pick_state, state in session.execute(strange):
        yield f"pick {pick_id} is {pick_state}, its allocation {state}"
    left = select(col(Pick.id)).where(
        col(Pick.list_id) == col(PickList.id), col(Pick.state) == PickState.OPEN
    )
    unfinished = select(col(PickList.id), col(PickList.state)).where(
        col(PickList.site_id) == site_id, (col(PickList.state) == ListState.DONE) == left.exists()
    )
    for list_id, state in session.execute(unfinished):
        yield f"pick list {list_id} is {state}, its picks say otherwise"
