"""
End a trip for the units on it: handed over to a customer, or taken back into the store.

Whoever goes into a load space airs it first, and never stands between a pallet and a wall.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Stay, Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.quality import hold_units
from rimekeep.stock.usecases.units import known_room, locked_units, require_past
from rimekeep.wording import say

# By unit id; plain JSON.
Facts = Mapping[int, Mapping[str, Any]]


def deliver_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int], at: datetime, facts: Facts
) -> list[Unit]:
    """
    Hand departed units over: their stay in the vehicle ends, and with it what we reckon of their life.

    Their state stays ``departed``. ``facts`` (customer, order, trip) go into the ledger with each lot.
    """
    units = _off_the_vehicle(session, now, caller, unit_ids, at)
    note_lots(session, at, caller, "unit.delivered", units, facts)
    return units


def take_back_units(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    unit_ids: Collection[int],
    zone_id: int,
    at: datetime,
    facts: Facts,
) -> list[Unit]:
    """
    Take departed units back into a room of the store, with the life they used up on the way.

    What a recall called back meanwhile is put on hold by `hold_recalled`, after what has a reason of its own.
    """
    zone, _ = known_room(session, caller.site_id, zone_id)
    units = _off_the_vehicle(session, now, caller, unit_ids, at)
    session.execute(
        insert(Stay),
        [
            {"site_id": zone.site_id, "unit_id": unit.id, "zone_id": zone.id, "entered_at": at}
            for unit in units
        ],
    )
    for unit in units:
        unit.state, unit.zone_id, unit.bay_id = UnitState.IN_STORE, zone.id, None
    session.flush()
    place = {"zone_id": zone.id, "zone": zone.code}
    told = {unit.id: {**facts.get(unit.id, {}), **place} for unit in units}
    note_lots(session, at, caller, "unit.taken-back", units, told)
    return units


def hold_recalled(session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int]) -> list[int]:
    """
    Put on hold what a recall called back while it was on the road; return what nothing else had stopped.

    Whatever else stops it is said before: that lasts when the recall ends.
    """
    recalled: dict[str, set[int]] = defaultdict(set)
    for unit in locked_units(session, caller.site_id, unit_ids):
        if unit.recall_reason is not None:
            recalled[unit.recall_reason].add(unit.id)
    held: list[int] = []
    for reason, own in sorted(recalled.items()):
        held += hold_units(session, now, caller.site_id, unit_ids=own, reason=reason, actor_id=caller.id)
    return held


def _off_the_vehicle(
    session: Session, now: datetime, caller: Caller, unit_ids: Collection[int], at: datetime
) -> list[Unit]:
    """End the stay of departed units in their vehicle, or sooner than was assumed for want of a word."""
    require_past(at, now, "at")
    units = locked_units(session, caller.site_id, unit_ids)
    for unit in units:
        if unit.state != UnitState.DEPARTED:
            raise Refused(
                "unit-not-departed",
                say("Unit {sscc} is {state}; it is not on the road.", sscc=unit.sscc, state=unit.state),
                data={"sscc": unit.sscc, "state": str(unit.state)},
            )
    last = {}
    for stay in session.scalars(
        select(Stay)
        .where(col(Stay.unit_id).in_(sorted(unit_ids)))
        .order_by(col(Stay.entered_at), col(Stay.id))
        .execution_options(populate_existing=True)
    ):
        last[stay.unit_id] = stay
    for unit in units:
        stay = last[unit.id]
        if at < stay.entered_at:
            raise invalid(
                "at",
                say(
                    "Unit {sscc} came on board at {entered_at}, after {at}.",
                    sscc=unit.sscc,
                    entered_at=stay.entered_at.isoformat(),
                    at=at.isoformat(),
                ),
                say("Give a time after it left."),
            )
        if stay.left_at is not None and at > stay.left_at:
            raise invalid(
                "at",
                say(
                    "Unit {sscc} was off by {left_at}, when its vehicle was loaded anew.",
                    sscc=unit.sscc,
                    left_at=stay.left_at.isoformat(),
                ),
                say("Give the time it was really taken off, before that."),
            )
        stay.left_at = at
    session.flush()
    note_changed(session, caller.site_id, [unit.id for unit in units])
    return units


def note_lots(
    session: Session, at: datetime, caller: Caller, kind: str, units: Sequence[Unit], facts: Facts
) -> None:
    """Record one event a lot on each unit, as their departure was."""
    by_id = {unit.id: unit for unit in units}
    rows = session.scalars(
        select(UnitContent)
        .where(col(UnitContent.unit_id).in_(sorted(by_id)), col(UnitContent.cases) > 0)
        .order_by(col(UnitContent.id))
    )
    for row in rows:
        data = {
            "sscc": by_id[row.unit_id].sscc,
            "content_id": row.id,
            **facts.get(row.unit_id, {}),
        }
        event = Event(
            kind, at, actor_id=caller.id, lot_id=row.lot_id, unit_id=row.unit_id, cases=row.cases, data=data
        )
        record(session, caller.site_id, event)
