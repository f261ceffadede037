"""Pick bays: what they shall hold, and taking free cases off a pallet onto a unit of their own."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Missing, invalid, refused
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import BayRole, UnitState
from rimekeep.stock.tables import PickFace, Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.picking import build_unit
from rimekeep.stock.usecases.units import close_if_empty, require_released, source_to_take, take_free
from rimekeep.wording import say


def set_pick_face(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    bay_id: int,
    product_id: int,
    min_cases: int,
    max_cases: int,
) -> PickFace:
    """Say how many cases of a product a pick bay shall hold, and how many fit; said anew, it changes."""
    require_cases(min_cases, where="min_cases", least=0)
    require_cases(max_cases, where="max_cases")
    if max_cases <= min_cases:
        raise invalid(
            "max_cases",
            say(
                "{max_cases} is not above the minimum of {min_cases}.",
                max_cases=max_cases,
                min_cases=min_cases,
            ),
            say("Give the cases that fit."),
        )
    try:
        bay = queries.bay(session, caller.site_id, bay_id)
        queries.product(session, caller.site_id, product_id)
    except Missing as error:
        where = "bay_id" if error.code.startswith("bay") else "product_id"
        raise invalid(where, error.detail, say("Give the id of one of this site.")) from None
    if bay.role != BayRole.PICK:
        raise refused(
            "not-a-pick-bay",
            "bay_id",
            say("Bay {code} is a {role} bay.", code=bay.code, role=bay.role),
            say("Give a pick bay; bulk bays are what pick bays are filled from."),
            {"bay": bay.code, "role": str(bay.role)},
        )
    face = session.scalar(
        select(PickFace)
        .where(col(PickFace.bay_id) == bay_id, col(PickFace.product_id) == product_id)
        .with_for_update()
    )
    if face is None:
        face = PickFace(
            site_id=caller.site_id,
            bay_id=bay_id,
            product_id=product_id,
            min_cases=min_cases,
            max_cases=max_cases,
        )
        session.add(face)
    face.min_cases, face.max_cases = min_cases, max_cases
    session.flush()
    data = {
        "id": face.id,
        "bay": bay.code,
        "product_id": product_id,
        "min_cases": min_cases,
        "max_cases": max_cases,
    }
    record(session, caller.site_id, Event("pick_face.set", now, actor_id=caller.id, data=data))
    return face


def split_off(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    content_id: int,
    cases: int,
    zone_id: int,
    bay_id: int | None,
) -> tuple[Unit, UnitContent]:
    """
    Put free cases of a unit in store onto one of their own, which stands elsewhere; return unit and content.

    They keep the temperature history of the unit they were on.
    """
    source, unit = source_to_take(session, caller.site_id, content_id, cases)
    require_released(session, [unit], lot_id=source.lot_id)
    left = take_free(session, content_id, cases)
    if left is None:
        raise Conflict(
            "stock-taken",
            say("Fewer than {cases} cases of unit {sscc} are free.", cases=cases, sscc=unit.sscc),
            data={"content_id": content_id, "cases": cases},
        )
    session.expire(source)
    target = build_unit(session, now, caller, zone_id=zone_id, bay_id=bay_id)
    moved = UnitContent(
        site_id=caller.site_id,
        unit_id=target.id,
        lot_id=source.lot_id,
        cases=cases,
        parent_id=content_id,
        split_at=now,
    )
    session.add(moved)
    target.state, target.placed_at = UnitState.IN_STORE, now
    target.received_at = unit.received_at
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
        "content_id": moved.id,
        "bay_id": bay_id,
    }
    record(
        session,
        caller.site_id,
        Event(
            "cases.moved",
            now,
            actor_id=caller.id,
            lot_id=moved.lot_id,
            unit_id=target.id,
            cases=cases,
            data=data,
        ),
    )
    return target, moved
