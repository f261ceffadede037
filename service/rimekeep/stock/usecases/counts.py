"""Set the record right by what was counted; what was counted to nothing can be found again."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, invalid, missing
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import HERE, UnitState
from rimekeep.stock.tables import Bay, Stay, Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.quality import require_reason
from rimekeep.stock.usecases.units import close_if_empty, known_room, locked_units, note_units, place_units
from rimekeep.wording import say


def adjust_cases(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    content_id: int,
    cases: int,
    reason: str,
    was_cases: int | None = None,
    unit_id: int | None = None,
) -> UnitContent:
    """
    Set the cases of a content to what was counted.

    ``was_cases`` is the record the count was held against; if the record has changed since, the count is out
    of date and refused. ``unit_id`` says on which unit it was counted. A unit on which something is found
    after it was empty is stock again, where it stood: see `find_again`.
    """
    require_cases(cases, where="cases", least=0)
    require_reason(reason)
    found = session.get(UnitContent, content_id)
    if found is None or found.site_id != caller.site_id:
        raise missing("content", content_id)
    if unit_id not in (None, found.unit_id):
        raise invalid(
            "content_id", say("It stands on another unit."), say("Give the id of a content of this unit.")
        )
    unit = locked_units(session, caller.site_id, [found.unit_id])[0]
    content = session.scalars(
        select(UnitContent)
        .where(col(UnitContent.id) == content_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    ).one()
    if unit.state not in {*HERE, UnitState.EMPTY}:
        raise Refused(
            "unit-gone",
            say("Unit {sscc} is {state}.", sscc=unit.sscc, state=unit.state),
            data={"state": str(unit.state)},
        )
    if was_cases is not None and was_cases != content.cases:
        raise Conflict(
            "count-outdated",
            say(
                "The record says {cases} cases, not {was_cases} any more. Count again.",
                cases=content.cases,
                was_cases=was_cases,
            ),
            data={"cases": content.cases},
        )
    if cases < content.reserved_cases:
        raise Refused(
            "below-reserved",
            say(
                "{reserved_cases} cases are reserved; cancel or short those picks first.",
                reserved_cases=content.reserved_cases,
            ),
            data={"reserved_cases": content.reserved_cases, "cases": cases},
        )
    if unit.state == UnitState.EMPTY and cases:
        find_again(session, now, caller, unit)
    change = cases - content.cases
    content.cases = cases
    session.flush()
    if unit.state != UnitState.EMPTY:
        close_if_empty(session, unit, now)
    _note_adjusted(session, now, caller, unit, content, change, reason)
    return content


def add_cases(
    session: Session, now: datetime, caller: Caller, *, unit_id: int, lot_id: int, cases: int, reason: str
) -> UnitContent:
    """Record cases of a lot on a unit that, on record, never held any of it."""
    require_cases(cases, where="cases")
    require_reason(reason)
    unit = locked_units(session, caller.site_id, [unit_id])[0]
    if unit.state not in {UnitState.IN_STORE, UnitState.EMPTY}:
        raise Refused(
            "unit-gone",
            say("Unit {sscc} is {state}.", sscc=unit.sscc, state=unit.state),
            data={"state": str(unit.state)},
        )
    if unit.state == UnitState.EMPTY:
        find_again(session, now, caller, unit)
    content = UnitContent(site_id=caller.site_id, unit_id=unit.id, lot_id=lot_id, cases=cases)
    session.add(content)
    session.flush()
    note_changed(session, caller.site_id, [unit.id])
    _note_adjusted(session, now, caller, unit, content, cases, reason)
    return content


def _note_adjusted(
    session: Session,
    now: datetime,
    caller: Caller,
    unit: Unit,
    content: UnitContent,
    change: int,
    reason: str,
) -> None:
    data = {"sscc": unit.sscc, "content_id": content.id, "cases_after": content.cases}
    event = Event(
        "cases.adjusted", now, actor_id=caller.id, lot_id=content.lot_id, unit_id=unit.id, cases=change,
        reason=reason, data=data,
    )  # fmt: skip
    record(session, caller.site_id, event)


def find_again(
    session: Session,
    now: datetime,
    caller: Caller,
    unit: Unit,
    *,
    zone_id: int | None = None,
    bay_id: int | None = None,
) -> None:
    """
    Make a locked unit stock again that was empty on record: where it stood, or where it was found.

    It was there all the time, so its last stay goes on: its beer aged meanwhile as the room's did.
    """
    last = session.scalar(
        select(col(Stay.id))
        .where(col(Stay.unit_id) == unit.id)
        .order_by(col(Stay.entered_at).desc(), col(Stay.id).desc())
        .limit(1)
    )
    session.execute(
        update(Stay)
        .where(col(Stay.id) == last)
        .values(left_at=None)
        .execution_options(synchronize_session="fetch")
    )
    unit.state = UnitState.IN_STORE
    session.flush()
    note_changed(session, unit.site_id, [unit.id])
    note_units(session, now, caller, "unit.found", [unit], {"zone_id": zone_id or unit.zone_id})
    if zone_id is not None and (zone_id, bay_id) != (unit.zone_id, unit.bay_id):
        zone, bay = known_room(session, unit.site_id, zone_id, bay_id)
        source = {"zone_id": unit.zone_id, "bay_id": unit.bay_id}
        place_units(session, [unit], zone=zone, bay=bay, at=now)
        data = {"from": source, "zone_id": zone_id, "bay_id": bay_id}
        note_units(session, now, caller, "unit.moved", [unit], data)


def mark_counted(
    session: Session, site_id: int, at: datetime, *, unit_ids: Collection[int], bay_id: int | None
) -> None:
    """Note when units and a bay were last counted."""
    for some in parts(unit_ids):
        session.execute(
            update(Unit)
            .where(col(Unit.site_id) == site_id, col(Unit.id).in_(some))
            .values(counted_at=at)
            .execution_options(synchronize_session="fetch")
        )
    if bay_id is not None:
        session.execute(
            update(Bay)
            .where(col(Bay.site_id) == site_id, col(Bay.id) == bay_id)
            .values(counted_at=at)
            .execution_options(synchronize_session="fetch")
        )
