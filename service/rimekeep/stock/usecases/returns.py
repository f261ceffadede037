"""Put picked units back into stock."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Unit, UnitContent
from rimekeep.stock.usecases.units import locked_units, note_units
from rimekeep.wording import say


def put_back_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int]
) -> list[Unit]:
    """Make picked units nobody has promised any more ordinary stock, where they stand."""
    units = locked_units(session, caller.site_id, unit_ids)
    promised = dict(
        session.execute(
            select(col(UnitContent.unit_id), func.sum(col(UnitContent.reserved_cases)))
            .where(col(UnitContent.unit_id).in_(sorted(unit_ids)))
            .group_by(col(UnitContent.unit_id))
        ).all()
    )
    for unit in units:
        if unit.state != UnitState.PICKED or promised.get(unit.id):
            raise Refused(
                "unit-not-free",
                say(
                    "Unit {sscc} is {state} with {get} cases reserved.",
                    sscc=unit.sscc,
                    state=unit.state,
                    get=promised.get(unit.id, 0),
                ),
                data={"sscc": unit.sscc, "state": str(unit.state)},
            )
        unit.state = UnitState.IN_STORE
    session.flush()
    note_units(session, now, caller, "unit.returned", units, {})
    return units
