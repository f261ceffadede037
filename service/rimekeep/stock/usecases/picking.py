"""
Promise cases, and take what was promised.

However many do this at once, no case is promised twice: a reservation is one conditional update of one row,
and the table itself refuses to hold more reserved than there is.
"""

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import ColumnElement, bindparam, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.usecases import next_serial
from rimekeep.errors import Conflict, Missing, Refused, missing
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core import gs1
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.tables import Lot, Stay, Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.units import (
    close_if_empty,
    known_room,
    locked_units,
    not_there,
    note_units,
    place_units,
    qa_stop,
    require_released,
)
from rimekeep.wording import say


def reserve_cases(session: Session, content_id: int, cases: int) -> None:
    """Promise free cases of a content; raises Conflict when they are not free any more."""
    require_cases(cases, where="cases")
    free = col(UnitContent.cases) - col(UnitContent.reserved_cases)
    got = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, free >= cases, _may_be_promised())
        .values(reserved_cases=col(UnitContent.reserved_cases) + cases)
        .returning(col(UnitContent.id))
        .execution_options(synchronize_session=False)
    ).first()
    if got is None:
        raise _taken(session, content_id, cases)
    _forget(session, content_id)


def _may_be_promised() -> ColumnElement[bool]:
    return (
        select(col(Unit.id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(Unit.id) == col(UnitContent.unit_id), col(Unit.state) == UnitState.IN_STORE)
        .where(col(Unit.qa_state) == QaState.RELEASED, col(Lot.qa_state) == QaState.RELEASED)
        .correlate(UnitContent)
        .exists()
    )


def reserve_many(session: Session, wanted: Mapping[int, int]) -> None:
    """Promise cases of many contents, all or none; locked in key order, so nobody waits in a circle."""
    statement = (
        select(col(UnitContent.id), col(UnitContent.cases) - col(UnitContent.reserved_cases))
        .where(_may_be_promised())
        .order_by(col(UnitContent.id))
        .with_for_update()
    )
    for some in parts(wanted):
        free = {row[0]: row[1] for row in session.execute(statement.where(col(UnitContent.id).in_(some)))}
        for key in some:
            require_cases(wanted[key], where="cases")
            if free.get(key, 0) < wanted[key]:
                raise _taken(session, key, wanted[key])
        _add_reserved(session, {key: wanted[key] for key in some})


def return_cases(session: Session, content_id: int, cases: int) -> None:
    """Give promised cases back; raises Conflict when fewer are promised."""
    require_cases(cases, where="cases")
    got = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, col(UnitContent.reserved_cases) >= cases)
        .values(reserved_cases=col(UnitContent.reserved_cases) - cases)
        .returning(col(UnitContent.id))
        .execution_options(synchronize_session=False)
    ).first()
    if got is None:
        raise _not_reserved(content_id, cases)
    _forget(session, content_id)


def return_many(session: Session, promised: Mapping[int, int]) -> None:
    """Give promised cases of many contents back, all or none; locked in key order, as they are promised."""
    for keys in parts(promised):
        held = dict(
            session.execute(
                select(col(UnitContent.id), col(UnitContent.reserved_cases))
                .where(col(UnitContent.id).in_(keys))
                .order_by(col(UnitContent.id))
                .with_for_update()
            ).all()
        )
        for key in keys:
            require_cases(promised[key], where="cases")
            if held.get(key, 0) < promised[key]:
                raise _not_reserved(key, promised[key])
        _add_reserved(session, {key: -promised[key] for key in keys})


def _add_reserved(session: Session, more: Mapping[int, int]) -> None:
    table = UnitContent.__table__  # type: ignore[attr-defined]
    session.connection().execute(
        update(table)
        .where(table.c.id == bindparam("content"))
        .values(reserved_cases=table.c.reserved_cases + bindparam("more")),
        [{"content": key, "more": cases} for key, cases in more.items()],
    )
    for key in more:
        _forget(session, key)


def build_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    zone_id: int,
    bay_id: int | None = None,
    sscc: str | None = None,
) -> Unit:
    """Begin an order's own unit under an SSCC of the site, a new one unless given; nothing is on it yet."""
    zone, bay = known_room(session, caller.site_id, zone_id, bay_id)
    unit = Unit(
        site_id=caller.site_id,
        sscc=sscc or new_sscc(session, caller.site_id),
        zone_id=zone.id,
        bay_id=bay.id if bay else None,
        state=UnitState.PICKED,
        qa_state=QaState.RELEASED,
        received_at=now,
        is_opened=True,
    )
    session.add(unit)
    session.flush()
    session.add(Stay(site_id=caller.site_id, unit_id=unit.id, zone_id=zone.id, entered_at=now))
    session.flush()
    note_units(session, now, caller, "unit.built", [unit], {"zone_id": zone.id, "bay_id": bay_id})
    return unit


def new_sscc(session: Session, site_id: int) -> str:
    """Return the site's next SSCC, which nobody has."""
    # A unit received from elsewhere may carry a number of our own range already; the next one is taken then.
    while True:
        prefix, serial = next_serial(session, site_id)
        width = 16 - len(prefix)
        made = gs1.sscc(serial // 10**width % 10, prefix, serial % 10**width)
        taken = select(col(Unit.id)).where(col(Unit.site_id) == site_id, col(Unit.sscc) == made)
        if session.scalar(taken) is None:
            return made


def take_cases(
    session: Session, now: datetime, caller: Caller, *, content_id: int, cases: int, to_unit_id: int
) -> UnitContent:
    """Take promised cases off the unit they stand on and put them onto one that is being built."""
    require_cases(cases, where="cases")
    source = session.get(UnitContent, content_id)
    if source is None or source.site_id != caller.site_id:
        raise missing("content", content_id)
    if source.unit_id == to_unit_id:
        raise Refused("same-unit", say("The cases are on that unit already."), data={"unit_id": to_unit_id})
    units = locked_units(session, caller.site_id, [source.unit_id, to_unit_id])
    unit, target = units
    if unit.state != UnitState.IN_STORE:
        raise not_there(unit, say("It is {state}; cases are taken from units in store.", state=unit.state))
    if target.state != UnitState.PICKED:
        raise Refused(
            "unit-not-open",
            say(
                "Unit {sscc} is {state}; cases go onto a unit being picked.",
                sscc=target.sscc,
                state=target.state,
            ),
            data={"sscc": target.sscc, "state": str(target.state)},
        )
    require_released(session, [unit], lot_id=source.lot_id)
    left = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, col(UnitContent.reserved_cases) >= cases)
        .values(cases=col(UnitContent.cases) - cases, reserved_cases=col(UnitContent.reserved_cases) - cases)
        .returning(col(UnitContent.cases))
        .execution_options(synchronize_session=False)
    ).scalar_one_or_none()
    if left is None:
        raise _not_reserved(content_id, cases)
    _forget(session, content_id)
    taken = UnitContent(
        site_id=caller.site_id,
        unit_id=target.id,
        lot_id=source.lot_id,
        cases=cases,
        reserved_cases=cases,
        parent_id=content_id,
        split_at=now,
    )
    session.add(taken)
    unit.is_opened = True
    session.flush()
    note_changed(session, caller.site_id, [target.id])
    close_if_empty(session, unit, now)
    data = {
        "from_unit_id": unit.id,
        "from_sscc": unit.sscc,
        "from_content_id": content_id,
        "cases_left": left,
        "sscc": target.sscc,
        "content_id": taken.id,
    }
    event = Event(
        "cases.picked",
        now,
        actor_id=caller.id,
        lot_id=taken.lot_id,
        unit_id=target.id,
        cases=cases,
        data=data,
    )
    record(session, caller.site_id, event)
    return taken


def pick_whole_unit(
    session: Session, now: datetime, caller: Caller, *, unit_id: int, zone_id: int, bay_id: int | None = None
) -> Unit:
    """Take a unit as it is for the orders that reserved all of it, and bring it to staging."""
    unit = locked_units(session, caller.site_id, [unit_id])[0]
    zone, bay = known_room(session, caller.site_id, zone_id, bay_id)
    if unit.state != UnitState.IN_STORE:
        raise not_there(unit, say("It is {state}.", state=unit.state))
    require_released(session, [unit])
    on_it = session.scalars(
        select(UnitContent)
        .where(col(UnitContent.unit_id) == unit.id, col(UnitContent.cases) > 0)
        .execution_options(populate_existing=True)
    ).all()
    free = sum(row.cases - row.reserved_cases for row in on_it)
    if free or not on_it:
        raise Refused(
            "not-fully-reserved",
            say(
                "{free} cases on unit {sscc} are not reserved; take the reserved ones off it instead.",
                free=free,
                sscc=unit.sscc,
            ),
            data={"sscc": unit.sscc, "free_cases": free},
        )
    unit.state = UnitState.PICKED
    source = {"zone_id": unit.zone_id, "bay_id": unit.bay_id}
    place_units(session, [unit], zone=zone, bay=bay, at=now)
    for row in on_it:
        record(
            session,
            caller.site_id,
            Event(
                "unit.picked", now, actor_id=caller.id, lot_id=row.lot_id, unit_id=unit.id, cases=row.cases,
                data={"sscc": unit.sscc, "content_id": row.id, "from": source, "zone_id": zone.id},
            ),
        )  # fmt: skip
    return unit


def _not_reserved(content_id: int, cases: int) -> Conflict:
    return Conflict(
        "not-reserved",
        say(
            "Fewer than {cases} cases of content {content_id} are reserved.",
            cases=cases,
            content_id=content_id,
        ),
        data={"content_id": content_id, "cases": cases},
    )


def _taken(session: Session, content_id: int, cases: int) -> Conflict | Missing | Refused:
    row = session.execute(
        select(col(UnitContent.cases) - col(UnitContent.reserved_cases), Unit, Lot)
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(UnitContent.id) == content_id)
        .execution_options(populate_existing=True)
    ).one_or_none()
    if row is None:
        return missing("content", content_id)
    free, unit, lot = row
    stopped = qa_stop([unit], [lot])
    if stopped is not None:
        return stopped
    free = free if unit.state == UnitState.IN_STORE else 0
    return Conflict(
        "stock-taken",
        say(
            "{cases} cases of unit {sscc} are wanted, {free} are free. Allocate again.",
            cases=cases,
            sscc=unit.sscc,
            free=free,
        ),
        data={"content_id": content_id, "cases": cases, "free_cases": free},
    )


def _forget(session: Session, content_id: int) -> None:
    """Let a loaded row be read again, since the database changed it by itself."""
    loaded = session.identity_map.get(session.identity_key(UnitContent, content_id))
    if loaded is not None:
        session.expire(loaded)
