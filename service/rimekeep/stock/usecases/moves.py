"""Bring units in and move them about."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, invalid
from rimekeep.platform.journal import record
from rimekeep.stock.core.facts import refuse, require_cases, require_sscc, start_core_fault
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.tables import Lot, Stay, Unit, UnitContent
from rimekeep.stock.usecases.catalog import known_zone
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.units import (
    known_room,
    locked_units,
    not_there,
    note_units,
    place_units,
    require_past,
    unit_received,
)
from rimekeep.wording import say

MOST_CONTENTS = 100


def receive_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    sscc: str,
    zone_id: int,
    bay_id: int | None = None,
    contents: Sequence[tuple[int, int]],
    received_at: datetime | None = None,
    start_core_c: float | None = None,
    is_new: bool = True,
) -> Unit:
    """
    Take a unit into stock with the cases on it, as (lot id, cases).

    ``is_new`` tells that these cases were just made: they are added to what the lot made. Without it they
    were counted when the lot was registered.
    """
    require_sscc(sscc)
    zone, bay = known_room(session, caller.site_id, zone_id, bay_id)
    at = received_at or now
    require_past(at, now, "received_at")
    cold = start_core_fault(start_core_c)
    refuse([cold] if cold else [])
    taken = session.scalar(
        select(col(Unit.id)).where(col(Unit.site_id) == caller.site_id, col(Unit.sscc) == sscc)
    )
    if taken is not None:
        raise Conflict(
            "sscc-exists",
            say("There is a unit with SSCC {sscc} already; an SSCC is used once.", sscc=sscc),
            data={"id": taken},
        )
    lots = _checked_contents(session, caller.site_id, contents, at)
    unit = Unit(
        site_id=caller.site_id,
        sscc=sscc,
        zone_id=zone.id,
        bay_id=bay.id if bay else None,
        state=UnitState.IN_STORE,
        qa_state=QaState.RELEASED,
        received_at=at,
        start_core_c=start_core_c,
    )
    session.add(unit)
    session.flush()
    session.add(Stay(site_id=caller.site_id, unit_id=unit.id, zone_id=zone.id, entered_at=at))
    rows = [
        UnitContent(site_id=caller.site_id, unit_id=unit.id, lot_id=lot_id, cases=cases)
        for lot_id, cases in contents
    ]
    session.add_all(rows)
    session.flush()
    note_changed(session, caller.site_id, [unit.id])
    if is_new:
        # In key order, so that two arrivals of the same lots cannot wait for each other.
        for lot_id, cases in sorted(contents):
            made = col(Lot.cases_made) + cases
            session.execute(update(Lot).where(col(Lot.id) == lot_id).values(cases_made=made))
            session.expire(lots[lot_id], ["cases_made"])
    for row in rows:
        event = unit_received(
            caller,
            at=at,
            unit_id=unit.id,
            lot_id=row.lot_id,
            cases=row.cases,
            sscc=sscc,
            content_id=row.id,
            zone_id=zone.id,
            bay_id=unit.bay_id,
            is_new=is_new,
        )
        record(session, caller.site_id, event)
    return unit


def _checked_contents(
    session: Session, site_id: int, contents: Sequence[tuple[int, int]], at: datetime
) -> dict[int, Lot]:
    if not 1 <= len(contents) <= MOST_CONTENTS:
        raise invalid(
            "contents",
            say("{n} lots are on the unit.", n=len(contents)),
            say("Give 1 to {MOST_CONTENTS} lots with their cases.", MOST_CONTENTS=MOST_CONTENTS),
        )
    ids = [lot_id for lot_id, _ in contents]
    lots = {
        lot.id: lot
        for lot in session.scalars(select(Lot).where(col(Lot.site_id) == site_id, col(Lot.id).in_(ids)))
    }
    for place, (lot_id, cases) in enumerate(contents):
        where = f"contents[{place}].lot_id"
        require_cases(cases, where=f"contents[{place}].cases")
        if lot_id not in lots:
            raise invalid(
                where,
                say("There is no lot {lot_id} at this site.", lot_id=lot_id),
                say("Register the lot first."),
            )
        if lot_id in ids[:place]:
            raise invalid(
                where,
                say("Lot {code} stands twice.", code=lots[lot_id].code),
                say("Give each lot once, with all its cases."),
            )
        if at < lots[lot_id].packaged_at:
            raise invalid(
                "received_at",
                say(
                    "Lot {code} was packaged later, {packaged_at}.",
                    code=lots[lot_id].code,
                    packaged_at=lots[lot_id].packaged_at.isoformat(),
                ),
                say("Correct the time of arrival, or the lot's packaging time."),
            )
    return lots


def move_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    unit_id: int,
    from_zone_id: int | None = None,
    zone_id: int,
    bay_id: int | None = None,
    at: datetime | None = None,
) -> Unit:
    """Move a unit to another bay or zone. ``from_zone_id`` says where it was found."""
    unit = locked_units(session, caller.site_id, [unit_id])[0]
    zone, bay = known_room(session, caller.site_id, zone_id, bay_id)
    if unit.state not in {UnitState.IN_STORE, UnitState.PICKED}:
        raise not_there(unit, say("It is {state}.", state=unit.state))
    if from_zone_id is not None and from_zone_id != unit.zone_id:
        stands = known_zone(session, caller.site_id, unit.zone_id)
        raise not_there(
            unit, say("It stands in zone {zone}, as recorded.", zone=stands.code), where="from_zone_id"
        )
    moved_at = at or now
    require_past(moved_at, now, "at")
    source = {"zone_id": unit.zone_id, "bay_id": unit.bay_id}
    place_units(session, [unit], zone=zone, bay=bay, at=moved_at)
    note_units(
        session,
        moved_at,
        caller,
        "unit.moved",
        [unit],
        {"from": source, "zone_id": zone.id, "bay_id": bay_id},
    )
    return unit
