"""
Goods a customer sends back after they were handed over.

What air they stood in meanwhile nobody measured. It is told as a stay in a zone of its own, so that life is
reckoned over it as over any gap: at an assumed temperature, marked as bridged, and less sure for it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import UnitState, ZoneKind
from rimekeep.stock.tables import Bay, Stay, Unit, UnitContent, Zone
from rimekeep.stock.usecases.catalog import register_zone
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.deliveries import note_lots
from rimekeep.stock.usecases.picking import new_sscc
from rimekeep.stock.usecases.units import known_room, locked_units, require_past
from rimekeep.wording import say

# Air at customers' as long as the site says nothing else: a heated room (own convention, no source). [°C]
CUSTOMERS_AIR_C = 20.0


def take_in_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    unit_id: int,
    zone_id: int,
    bay_id: int | None,
    at: datetime,
    facts: Mapping[str, Any],
) -> Unit:
    """Take a unit that was handed over into a room again, as it stands, with the life its way used up."""
    zone, bay = known_room(session, caller.site_id, zone_id, bay_id)
    unit, since_at = _at_customer(session, now, caller, unit_id, at)
    _stand(session, now, caller, unit, zone, bay, since_at=since_at, at=at)
    told = {**facts, **_place(zone, bay)}
    note_lots(session, at, caller, "unit.taken-back", [unit], {unit.id: told})
    return unit


def take_in_cases(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    unit_id: int,
    taken: Sequence[tuple[int, int]],
    zone_id: int,
    bay_id: int | None,
    at: datetime,
    facts: Mapping[str, Any],
) -> tuple[Unit, list[UnitContent]]:
    """
    Take some cases of a unit that was handed over into a room, on a unit of their own; return what is there.

    ``taken`` says how many of each content. They keep the temperature history of the unit they were sent on,
    to when it was handed over, and QA's word on it.
    """
    zone, bay = known_room(session, caller.site_id, zone_id, bay_id)
    unit, since_at = _at_customer(session, now, caller, unit_id, at)
    back = Unit(
        site_id=unit.site_id,
        sscc=new_sscc(session, unit.site_id),
        zone_id=zone.id,
        state=UnitState.IN_STORE,
        qa_state=unit.qa_state,
        qa_reason=unit.qa_reason,
        recall_reason=unit.recall_reason,
        received_at=unit.received_at,
        is_opened=True,
    )
    session.add(back)
    unit.is_opened = True
    session.flush()
    moved = [
        _move(session, caller, unit, back, content_id, cases, since_at=since_at, at=at, facts=facts)
        for content_id, cases in taken
    ]
    _stand(session, now, caller, back, zone, bay, since_at=since_at, at=at)
    note_changed(session, caller.site_id, [unit.id])
    told = {**facts, **_place(zone, bay)}
    note_lots(session, at, caller, "unit.taken-back", [back], {back.id: told})
    return back, moved


def _move(
    session: Session,
    caller: Caller,
    unit: Unit,
    back: Unit,
    content_id: int,
    cases: int,
    *,
    since_at: datetime,
    at: datetime,
    facts: Mapping[str, Any],
) -> UnitContent:
    row = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, col(UnitContent.unit_id) == unit.id)
        .where(col(UnitContent.cases) >= require_cases(cases, where="cases"))
        .values(cases=col(UnitContent.cases) - cases)
        .returning(col(UnitContent.cases), col(UnitContent.lot_id))
        .execution_options(synchronize_session=False)
    ).one_or_none()
    if row is None:
        raise invalid(
            "cases",
            say("Unit {sscc} has fewer than {cases} of these cases.", sscc=unit.sscc, cases=cases),
            say("Give fewer."),
        )
    left, lot_id = row
    moved = UnitContent(
        site_id=unit.site_id,
        unit_id=back.id,
        lot_id=lot_id,
        cases=cases,
        parent_id=content_id,
        # Where they were from then on is told by the stays of their own unit.
        split_at=since_at,
    )
    session.add(moved)
    session.flush()
    data = {
        "from_unit_id": unit.id,
        "from_sscc": unit.sscc,
        "from_content_id": content_id,
        "cases_left": left,
        "sscc": back.sscc,
        "content_id": moved.id,
        **facts,
    }
    event = Event(
        "cases.returned", at, actor_id=caller.id, lot_id=lot_id, unit_id=back.id, cases=cases, data=data
    )
    record(session, caller.site_id, event)
    return moved


def _at_customer(
    session: Session, now: datetime, caller: Caller, unit_id: int, at: datetime
) -> tuple[Unit, datetime]:
    """Return a unit that was handed over, locked, and since when it is out of our hands."""
    require_past(at, now, "at")
    unit = locked_units(session, caller.site_id, [unit_id])[0]
    running = select(col(Stay.id)).where(col(Stay.unit_id) == unit_id, col(Stay.left_at).is_(None))
    if unit.state != UnitState.DEPARTED or session.scalar(running) is not None:
        raise Refused(
            "unit-not-handed-over",
            say(
                "Unit {sscc} is {state}; no customer has it as far as anybody told.",
                sscc=unit.sscc,
                state=unit.state,
            ),
            data={"sscc": unit.sscc, "state": str(unit.state)},
        )
    since_at = session.scalar(select(func.max(col(Stay.left_at))).where(col(Stay.unit_id) == unit_id))
    assert since_at is not None
    if at < since_at:
        raise invalid(
            "at",
            say(
                "Unit {sscc} was handed over at {since_at}, after {at}.",
                sscc=unit.sscc,
                since_at=since_at.isoformat(),
                at=at.isoformat(),
            ),
            say("Give the time it came back, after that."),
        )
    return unit, since_at


def _stand(
    session: Session,
    now: datetime,
    caller: Caller,
    unit: Unit,
    zone: Zone,
    bay: Bay | None,
    *,
    since_at: datetime,
    at: datetime,
) -> None:
    """Tell a unit's stays: with the customer up to now, in the room from now on."""
    if at > since_at:
        away = _customers_zone(session, now, caller)
        session.add(
            Stay(
                site_id=unit.site_id, unit_id=unit.id, zone_id=away.id, entered_at=since_at, left_at=at
            )
        )  # fmt: skip
    session.add(Stay(site_id=unit.site_id, unit_id=unit.id, zone_id=zone.id, entered_at=at))
    unit.state, unit.zone_id, unit.placed_at = UnitState.IN_STORE, zone.id, at
    unit.bay_id = bay.id if bay else None
    session.flush()
    note_changed(session, unit.site_id, [unit.id])


def _place(zone: Zone, bay: Bay | None) -> dict[str, Any]:
    return {"zone_id": zone.id, "zone": zone.code, "bay_id": bay.id if bay else None}


def _customers_zone(session: Session, now: datetime, caller: Caller) -> Zone:
    """Return the zone that stands for customers' places; the first time one is made unless the site did."""
    take_turns(session, f"customers' places of site {caller.site_id}")
    found = session.scalars(
        select(Zone)
        .where(col(Zone.site_id) == caller.site_id, col(Zone.kind) == ZoneKind.CUSTOMER)
        .order_by(col(Zone.id))
        .limit(1)
    ).first()
    if found is not None:
        return found
    taken = set(session.scalars(select(col(Zone.code)).where(col(Zone.site_id) == caller.site_id)))
    names = ["CUSTOMERS", *(f"CUSTOMERS-{number}" for number in range(2, len(taken) + 3))]
    return register_zone(
        session,
        now,
        caller,
        code=next(name for name in names if name not in taken),
        name="At customers'",
        kind=ZoneKind.CUSTOMER,
        planned_c=CUSTOMERS_AIR_C,
    )
