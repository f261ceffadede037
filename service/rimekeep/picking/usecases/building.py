"""Which pallet picked cases go onto: the one planned for them, begun with the first case."""

from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.picking import queries
from rimekeep.picking.queries import PickFacts
from rimekeep.picking.tables import PlannedUnit
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Unit

# Two products may fill a pallet in thirds: sums of fractions are compared with room for rounding.
FULL = 1.0 + 1e-9


def unit_for(session: Session, now: datetime, caller: Caller, pick: PickFacts, cases: int) -> Unit:
    """
    Return the unit the cases of a pick go onto, begun now if nothing is on it yet.

    A pick that came onto its list later goes onto the order's last one there while it has room. Two orders
    never share a unit.
    """
    planned = queries.planned_unit(session, pick.pick_id)
    if planned is not None:
        planned_id, sscc, begun_id = planned
        if begun_id is None:
            unit = stock_usecases.build_unit(session, now, caller, zone_id=pick.zone_id, sscc=sscc)
            session.execute(
                update(PlannedUnit)
                .where(col(PlannedUnit.id) == planned_id)
                .values(unit_id=unit.id)
                .execution_options(synchronize_session="fetch")
            )
            return unit
        begun = stock.unit(session, caller.site_id, begun_id)
        if begun.state == UnitState.PICKED:
            return begun
    unit_id = queries.open_unit(session, pick.list_id, pick.order_id)
    if unit_id is None or queries.fill(session, unit_id) + cases / pick.full_pallet_cases > FULL:
        return stock_usecases.build_unit(session, now, caller, zone_id=pick.zone_id)
    return stock.unit(session, caller.site_id, unit_id)
