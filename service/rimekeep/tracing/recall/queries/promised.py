"""Lines that recalled stock is reserved for."""

from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.tables import OrderLine
from rimekeep.picking.core.states import AllocationState
from rimekeep.picking.tables import Allocated
from rimekeep.platform.database import parts
from rimekeep.stock.tables import UnitContent
from rimekeep.tracing.recall.core.records import Source


def reserved_lines(session: Session, site_id: int, source: Source) -> dict[int, int]:
    """
    Return the lines something of this is reserved for, each with its order.

    Of touched stock whole units are stopped, so what else is on them counts too.
    """
    found: dict[int, int] = {}
    if source.content_ids is None:
        column, keys = col(UnitContent.lot_id), list(source.lot_ids)
    else:
        column, keys = col(UnitContent.unit_id), units_of(session, source)
    for some in parts(keys):
        rows = session.execute(
            select(col(OrderLine.id), col(OrderLine.order_id))
            .select_from(UnitContent)
            .join(Allocated, col(Allocated.content_id) == col(UnitContent.id))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .where(col(UnitContent.site_id) == site_id, column.in_(some))
            .where(col(Allocated.state) == AllocationState.RESERVED)
        )
        found |= {row[0]: row[1] for row in rows}
    return found


def units_of(session: Session, source: Source) -> list[int]:
    """Return the units single contents are on, whole lots aside; those with no case left on them not."""
    found: set[int] = set()
    for some in parts(source.content_ids):
        found |= _units(session, some)
    return sorted(found)


def _units(session: Session, ids: Collection[int]) -> set[int]:
    return set(
        session.scalars(
            select(col(UnitContent.unit_id)).where(col(UnitContent.id).in_(ids), col(UnitContent.cases) > 0)
        )
    )
