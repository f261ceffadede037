"""Everything one confirmation has to know, in one read."""

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.tables import Principal
from rimekeep.errors import missing
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking.core.states import Handling, PickState
from rimekeep.picking.tables import Allocated, Pick, PickList, PlannedUnit
from rimekeep.platform.straight import Prepared, ask, ask_all
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class PickFacts:
    """A pick with its list, order, cases and place."""

    pick_id: int
    stop: int
    pick_state: str
    picked_cases: int
    pick_reason: str
    list_id: int
    list_state: str
    zone_id: int
    device_id: int | None
    device_name: str | None
    leased_until: datetime | None
    order_id: int
    order_code: str
    deliver_on: date
    line_id: int
    allocation_id: int
    cases: int
    how: str
    content_id: int
    content_cases: int
    unit_id: int
    sscc: str
    unit_state: str
    unit_qa_state: str
    unit_qa_reason: str
    bay_code: str | None
    check_code: str | None
    lot_id: int
    lot_code: str
    best_before_on: date
    lot_qa_state: str
    lot_qa_reason: str
    product_id: int
    sku: str
    gtin: str | None
    full_pallet_cases: int

    @property
    def is_whole_unit(self) -> bool:
        """Tell whether the pallet goes as it is."""
        return self.how == Handling.PALLET


_WORK = (
    select(col(SalesOrder.id), col(PickList.id))
    .join(OrderLine, col(OrderLine.order_id) == col(SalesOrder.id))
    .join(Allocated, col(Allocated.line_id) == col(OrderLine.id))
    .join(Pick, col(Pick.allocation_id) == col(Allocated.id))
    .join(PickList, col(PickList.id) == col(Pick.list_id))
    .where(col(Pick.id) == bindparam("pick"), col(Pick.site_id) == bindparam("site"))
)
_WORK_SEEN = Prepared(_WORK)
# The order first, as everywhere.
_WORK_HELD = Prepared(_WORK.with_for_update(key_share=True, of=[SalesOrder, PickList]))
_FACTS = Prepared(
    select(
        col(Pick.id),
        col(Pick.stop),
        col(Pick.state),
        col(Pick.picked_cases),
        col(Pick.reason),
        col(PickList.id),
        col(PickList.state),
        col(PickList.zone_id),
        col(PickList.device_id),
        col(Principal.name),
        col(PickList.leased_until),
        col(SalesOrder.id),
        col(SalesOrder.code),
        col(SalesOrder.deliver_on),
        col(Allocated.line_id),
        col(Allocated.id),
        col(Allocated.cases),
        col(Allocated.how),
        col(UnitContent.id),
        col(UnitContent.cases),
        col(Unit.id),
        col(Unit.sscc),
        col(Unit.state),
        col(Unit.qa_state),
        col(Unit.qa_reason),
        col(Bay.code),
        col(Bay.check_code),
        col(Lot.id),
        col(Lot.code),
        col(Lot.best_before_on),
        col(Lot.qa_state),
        col(Lot.qa_reason),
        col(Product.id),
        col(Product.sku),
        col(Product.gtin),
        col(Product.cases_per_layer) * col(Product.layers_per_pallet),
    )
    .join(PickList, col(PickList.id) == col(Pick.list_id))
    .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
    .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
    .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
    .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
    .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
    .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
    .join(Product, col(Product.id) == col(Lot.product_id))
    .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
    .outerjoin(Principal, col(Principal.id) == col(PickList.device_id))
    .where(col(Pick.id) == bindparam("pick"), col(Pick.site_id) == bindparam("site"))
)


def pick_facts(session: Session, site_id: int, pick_id: int, *, is_locked: bool = True) -> PickFacts:
    """
    Return a pick of the site with all that decides whether it may be confirmed.

    Its order and its list stay locked to the end of the transaction, unless it is only looked at: two who end
    the last two picks of an order, or of a list several orders share, must see each other, or neither would
    call it done.
    """
    session.flush()
    values = {"pick": pick_id, "site": site_id}
    # The facts are read once order and list are locked: what others did meanwhile is among them.
    work, facts = ask_all(session, [(_WORK_HELD if is_locked else _WORK_SEEN, values), (_FACTS, values)])
    if not work:
        raise missing("pick", pick_id)
    return PickFacts(*facts[0])


_PLANNED = Prepared(
    select(col(PlannedUnit.id), col(PlannedUnit.sscc), col(PlannedUnit.unit_id))
    .join(Pick, col(Pick.planned_unit_id) == col(PlannedUnit.id))
    .where(col(Pick.id) == bindparam("pick"))
)


def planned_unit(session: Session, pick_id: int) -> tuple[int, str, int | None] | None:
    """Return the unit planned for a pick's cases, its SSCC, and the unit begun under it, if any; or None."""
    session.flush()
    rows = ask(session, _PLANNED, {"pick": pick_id})
    return (rows[0][0], rows[0][1], rows[0][2]) if rows else None


def open_unit(session: Session, list_id: int, order_id: int) -> int | None:
    """Return the unit last built for parts of an order on this list, or None."""
    return session.scalar(
        select(col(Pick.to_unit_id))
        .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
        .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .join(Unit, col(Unit.id) == col(Pick.to_unit_id))
        .where(col(OrderLine.order_id) == order_id)
        .where(col(Pick.list_id) == list_id, col(Pick.state).in_((PickState.DONE, PickState.SHORT)))
        .where(col(Allocated.how) != Handling.PALLET, col(Unit.state) == UnitState.PICKED)
        .order_by(col(Pick.to_unit_id).desc())
        .limit(1)
    )


def fill(session: Session, unit_id: int) -> float:
    """Return how full a unit is, in full pallets of what is on it."""
    full = col(Product.cases_per_layer) * col(Product.layers_per_pallet)
    filled = session.scalar(
        select(func.sum(col(UnitContent.cases) * 1.0 / full))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(UnitContent.unit_id) == unit_id)
    )
    return float(filled or 0)


def built_units(session: Session, list_id: int) -> list[Unit]:
    """Return the units built on a list that still wait for the truck."""
    ids = (
        select(col(Pick.to_unit_id))
        .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .where(col(Pick.list_id) == list_id, col(UnitContent.parent_id).is_not(None))
    )
    return list(
        session.scalars(
            select(Unit)
            .where(col(Unit.id).in_(ids), col(Unit.state) == UnitState.PICKED)
            .order_by(col(Unit.id))
        )
    )


def picked_units(session: Session, list_id: int) -> list[Unit]:
    """Return the units that hold what was picked on a list and still wait for the truck."""
    ids = select(col(Pick.to_unit_id)).where(col(Pick.list_id) == list_id)
    return list(
        session.scalars(
            select(Unit)
            .where(col(Unit.id).in_(ids), col(Unit.state) == UnitState.PICKED)
            .order_by(col(Unit.id))
        )
    )
