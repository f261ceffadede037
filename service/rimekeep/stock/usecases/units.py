"""What every act on units shares: locks, places, stays, and what QA says."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import bindparam, func, insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid, missing, refused
from rimekeep.platform.journal import Event, record
from rimekeep.platform.straight import Prepared, ask
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import ROOMS, QaState, UnitState, ZoneKind
from rimekeep.stock.tables import Bay, Lot, Stay, Unit, UnitContent, Zone
from rimekeep.stock.usecases.catalog import known_bay, known_zone
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.wording import say

# Clocks of a scanner and of the server differ a little; a scan from just ahead of us is not from the future.
CLOCK_SLACK = timedelta(seconds=5)


def not_there(unit: Unit, detail: str, *, where: str = "sscc") -> Refused:
    """Return the refusal of an act on a unit that is not where the act assumes it."""
    return refused(
        "unit-not-there",
        where,
        say("Unit {sscc} is not there. {detail}", sscc=unit.sscc, detail=detail),
        say("Look where it is on record, or have it counted."),
        {"sscc": unit.sscc, "state": str(unit.state), "zone_id": unit.zone_id, "bay_id": unit.bay_id},
    )


def known_room(
    session: Session, site_id: int, zone_id: int, bay_id: int | None = None
) -> tuple[Zone, Bay | None]:
    """Return the zone, and the bay in it, a unit is to stand in; raise Invalid unless it is a room."""
    zone = known_zone(session, site_id, zone_id)
    if zone.kind == ZoneKind.VEHICLE:
        raise invalid(
            "zone_id",
            say("{code} is a vehicle's load space.", code=zone.code),
            say("Load it by its trip, or give a room of the store."),
        )
    if zone.kind not in ROOMS:
        raise invalid(
            "zone_id",
            say("{code} stands for customers' places.", code=zone.code),
            say("Give a room of the store."),
        )
    return zone, known_bay(session, site_id, bay_id, zone)


def require_past(at: datetime, now: datetime, where: str) -> None:
    if at > now + CLOCK_SLACK:
        raise invalid(
            where,
            say("{at} is in the future.", at=at.isoformat()),
            say("Give the time it happened, or leave it out."),
        )


def locked_units(session: Session, site_id: int, unit_ids: Collection[int]) -> list[Unit]:
    """Return units of the site in the order asked, locked until this transaction ends."""
    wanted = sorted(set(unit_ids))
    # In key order, so that two transactions locking the same units cannot wait for each other.
    rows = session.scalars(
        select(Unit)
        .where(col(Unit.site_id) == site_id, col(Unit.id).in_(wanted))
        .order_by(col(Unit.id))
        .with_for_update()
        .execution_options(populate_existing=True)
    )
    found = {unit.id: unit for unit in rows}
    for unit_id in unit_ids:
        if unit_id not in found:
            raise missing("unit", unit_id)
    return [found[unit_id] for unit_id in dict.fromkeys(unit_ids)]


def place_units(
    session: Session, units: Sequence[Unit], *, zone: Zone, bay: Bay | None, at: datetime
) -> None:
    """Put locked units into a zone; a stay ends and another begins for those that stood elsewhere."""
    close_stays(session, [unit.id for unit in units if unit.zone_id != zone.id], at)
    opened = [
        {"site_id": unit.site_id, "unit_id": unit.id, "zone_id": zone.id, "entered_at": at, "left_at": None}
        for unit in units
        if unit.zone_id != zone.id
    ]
    if opened:
        session.execute(insert(Stay), opened)
        note_changed(session, zone.site_id, [unit.id for unit in units if unit.zone_id != zone.id])
    for unit in units:
        unit.zone_id, unit.bay_id, unit.placed_at = zone.id, bay.id if bay else None, at
    session.flush()


def close_stays(session: Session, unit_ids: Collection[int], at: datetime) -> None:
    """End the running stays of units; nothing ends before it began."""
    if not unit_ids:
        return
    running = (col(Stay.unit_id).in_(sorted(unit_ids)), col(Stay.left_at).is_(None))
    later = session.execute(
        select(col(Unit.sscc), col(Stay.entered_at))
        .join(Unit, col(Unit.id) == col(Stay.unit_id))
        .where(*running, col(Stay.entered_at) > at)
    ).first()
    if later is not None:
        raise invalid(
            "at",
            say(
                "Unit {later} came into its zone at {later_2}, after {at}.",
                later=later[0],
                later_2=later[1].isoformat(),
                at=at.isoformat(),
            ),
            say("Give a time after it arrived there; check the clock when none was given."),
        )
    session.execute(
        update(Stay).where(*running).values(left_at=at).execution_options(synchronize_session=False)
    )


def note_units(
    session: Session, at: datetime, caller: Caller, kind: str, units: Sequence[Unit], data: dict[str, Any]
) -> None:
    """Record one event per unit."""
    for unit in units:
        record(
            session,
            caller.site_id,
            Event(kind, at, actor_id=caller.id, unit_id=unit.id, data={"sscc": unit.sscc, **data}),
        )


def require_released(session: Session, units: Sequence[Unit], *, lot_id: int | None = None) -> None:
    """
    Raise Refused unless QA lets the locked units, and the lots on them, be picked and loaded.

    The lots are locked for reading, so that a hold that comes at the same moment comes before or after, never
    in between.
    """
    lots = select(Lot).order_by(col(Lot.id)).with_for_update(read=True)
    if lot_id is not None:
        lots = lots.where(col(Lot.id) == lot_id)
    else:
        on_units = select(col(UnitContent.lot_id)).where(
            col(UnitContent.unit_id).in_([unit.id for unit in units]), col(UnitContent.cases) > 0
        )
        lots = lots.where(col(Lot.id).in_(on_units))
    stopped = qa_stop(units, session.scalars(lots.execution_options(populate_existing=True)))
    if stopped is not None:
        raise stopped


def qa_stop(units: Iterable[Unit], lots: Iterable[Lot]) -> Refused | None:
    """Return the refusal if QA stopped any of these, or None."""
    for unit in units:
        if unit.qa_state != QaState.RELEASED:
            return _stopped(say("Unit {sscc}", sscc=unit.sscc), unit, {"sscc": unit.sscc})
    for lot in lots:
        if lot.qa_state != QaState.RELEASED:
            return _stopped(say("Lot {lot}", lot=lot.code), lot, {"lot_id": lot.id, "lot": lot.code})
    return None


def _stopped(what: str, row: Unit | Lot, data: dict[str, object]) -> Refused:
    detail = say(
        "{what} is {qa_state} by QA: {qa_reason}", what=what, qa_state=row.qa_state, qa_reason=row.qa_reason
    )
    return Refused("stock-held", detail, data={**data, "qa_state": str(row.qa_state)})


def source_to_take(
    session: Session, site_id: int, content_id: int, cases: int, *, where: str = "cases"
) -> tuple[UnitContent, Unit]:
    """
    Return the content cases are taken off, and its unit in store, locked.

    Raises
    ------
    Invalid
        The number of cases cannot be meant; ``where`` names its field.
    Missing
        There is no such content at the site.
    Refused
        The unit is not in store.
    """
    require_cases(cases, where=where)
    source = session.get(UnitContent, content_id)
    if source is None or source.site_id != site_id:
        raise missing("content", content_id)
    unit = locked_units(session, site_id, [source.unit_id])[0]
    if unit.state != UnitState.IN_STORE:
        raise not_there(unit, say("It is {state}.", state=unit.state))
    return source, unit


def take_free(session: Session, content_id: int, cases: int) -> int | None:
    """Take cases nobody has reserved off a unit; return how many are left there, None if fewer were free."""
    free = col(UnitContent.cases) - col(UnitContent.reserved_cases)
    left: int | None = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, free >= cases)
        .values(cases=col(UnitContent.cases) - cases)
        .returning(col(UnitContent.cases))
        .execution_options(synchronize_session=False)
    ).scalar_one_or_none()
    return left


_ON_IT = Prepared(
    select(func.sum(col(UnitContent.cases))).where(col(UnitContent.unit_id) == bindparam("unit"))
)


def close_if_empty(session: Session, unit: Unit, at: datetime) -> None:
    """Mark a locked unit empty and end its stay once nothing is left on it."""
    session.flush()
    if not ask(session, _ON_IT, {"unit": unit.id})[0][0]:
        unit.state = UnitState.EMPTY
        session.flush()
        close_stays(session, [unit.id], at)
        note_changed(session, unit.site_id, [unit.id])


def unit_received(
    caller: Caller, *, at: datetime, unit_id: int, lot_id: int, cases: int, **facts: Any
) -> Event:
    """Return the ledger's word on cases of one lot that came in on a unit."""
    return Event(
        "unit.received", at, actor_id=caller.id, lot_id=lot_id, unit_id=unit_id, cases=cases, data=facts
    )
