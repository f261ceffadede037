"""Goods that came back from a trip serve their order no longer."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.tables import OrderLine
from rimekeep.picking.core.states import AllocationState
from rimekeep.picking.tables import Allocated
from rimekeep.stock.tables import UnitContent


def return_allocations(session: Session, site_id: int, unit_ids: Collection[int]) -> None:
    """Note that what was picked onto these units serves nobody now; they hold no reservation any more."""
    contents = select(col(UnitContent.id)).where(
        col(UnitContent.site_id) == site_id, col(UnitContent.unit_id).in_(sorted(unit_ids))
    )
    session.execute(
        update(Allocated)
        .where(col(Allocated.site_id) == site_id, col(Allocated.content_id).in_(contents))
        .where(col(Allocated.state).in_((AllocationState.PICKED, AllocationState.SURPLUS)))
        .values(state=AllocationState.RETURNED)
        .execution_options(synchronize_session=False)
    )


def refuse_allocations(
    session: Session,
    now: datetime,
    site_id: int,
    *,
    order_id: int,
    content_id: int,
    to_content_id: int,
    cases: int,
) -> None:
    """Note that some cases an order was served with were refused; they serve it no longer."""
    of_order = select(col(OrderLine.id)).where(col(OrderLine.order_id) == order_id)
    rows = session.scalars(
        select(Allocated)
        .where(col(Allocated.site_id) == site_id, col(Allocated.content_id) == content_id)
        .where(col(Allocated.line_id).in_(of_order), col(Allocated.state) == AllocationState.PICKED)
        .order_by(col(Allocated.id))
    ).all()
    left = cases
    for row in rows:
        some = min(left, row.cases)
        if some == 0:
            break
        left -= some
        if some == row.cases:
            row.state = AllocationState.RETURNED
            continue
        row.cases -= some
        session.add(
            Allocated(
                site_id=site_id,
                line_id=row.line_id,
                content_id=to_content_id,
                cases=some,
                how=row.how,
                state=AllocationState.RETURNED,
                at=now,
            )
        )
    session.flush()
