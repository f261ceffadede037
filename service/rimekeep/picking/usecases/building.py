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
        # A number is drawn with the pallet locked that is taken from, as by everybody.
        stock_usecases.locked_units(session, caller.site_id, [pick.unit_id])
        return stock_usecases.build_unit(session, now, caller, zone_id=pick.zone_id)
    return stock.unit(session, caller.site_id, unit_id)


def lock_units(session: Session, site_id: int, pick: PickFacts, *unit_ids: int) -> None:
    """
    Lock the pallet a pick is taken from, the one it goes onto if it is begun, and others.

    All at once, in key order and before any cases: two who report on one pallet must not wait in a circle.
    """
    planned = queries.planned_unit(session, pick.pick_id)
    begun = queries.open_unit(session, pick.list_id, pick.order_id) if planned is None else planned[2]
    wanted = {pick.unit_id, *unit_ids} | ({begun} if begun is not None else set())
    stock_usecases.locked_units(session, site_id, wanted)
