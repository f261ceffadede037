"""Stock that could still be promised to somebody."""

from collections import defaultdict
from collections.abc import Collection
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.stock.core.records import Pickable
from rimekeep.stock.core.states import ROOMS, UnitState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent, Zone

STANDS = (UnitState.IN_STORE, UnitState.PICKED)
PICKED_FROM = ROOMS


def pickable(session: Session, site_id: int, product_ids: Collection[int] | None) -> list[Pickable]:
    """
    Return the cases in store that are not reserved, of ``product_ids`` or of every product.

    What QA holds is among them and flagged, so that a short line can be told why.
    """
    free = col(UnitContent.cases) - col(UnitContent.reserved_cases)
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(UnitContent.id),
            col(Unit.id),
            col(Unit.sscc),
            col(Lot.id),
            col(Lot.code),
            col(Lot.product_id),
            col(UnitContent.cases),
            col(UnitContent.reserved_cases),
            free,
            col(Zone.id),
            col(Zone.kind),
            col(Bay.id),
            col(Bay.code),
            col(Bay.aisle),
            col(Bay.slot),
            col(Bay.level),
            col(Lot.packaged_at),
            col(Unit.received_at),
            col(Lot.best_before_on),
            col(Lot.qa_state),
            col(Unit.qa_state),
            col(Unit.is_opened),
            col(Product.cases_per_layer) * col(Product.layers_per_pallet),
            col(Product.cases_per_layer),
        )
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Zone, col(Zone.id) == col(Unit.zone_id))
        .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
        .where(col(UnitContent.site_id) == site_id, free > 0)
        .where(col(Unit.state) == UnitState.IN_STORE, col(Zone.kind).in_(PICKED_FROM))
        .order_by(col(UnitContent.id))
    )
    if product_ids is not None:
        statement = statement.where(col(Lot.product_id).in_(sorted(product_ids)))
    return [Pickable(*row) for row in session.execute(statement)]


def in_front(session: Session, site_id: int, bay_ids: Collection[int]) -> dict[int, int]:
    """Return how many units stand in front of each, by unit, in those of these bays that are deep."""
    if not bay_ids:
        return {}
    # Most stores have few deep bays or none: they are found first, and only what stands there is read.
    deep = set(session.scalars(select(col(Bay.id)).where(col(Bay.site_id) == site_id, col(Bay.depth) > 1)))
    last = func.coalesce(col(Unit.placed_at), col(Unit.received_at))
    statement = (
        select(col(Unit.bay_id), col(Unit.id))
        .where(col(Unit.site_id) == site_id, col(Unit.state).in_(STANDS))
        # What was put in last stands in front.
        .order_by(col(Unit.bay_id), last.desc(), col(Unit.id).desc())
    )
    before: dict[int | None, int] = defaultdict(int)
    found = {}
    for ids in parts(deep.intersection(bay_ids)):
        for bay_id, unit_id in session.execute(statement.where(col(Unit.bay_id).in_(ids))):
            found[unit_id] = before[bay_id]
            before[bay_id] += 1
    return found
