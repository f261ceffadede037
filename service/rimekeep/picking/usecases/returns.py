"""Goods that came back from a trip serve their order no longer."""

from collections.abc import Collection

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

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
