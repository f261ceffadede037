"""Take picked cases off an order's unit again, onto a unit of their own that is ordinary stock."""

from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, missing
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.picking import build_unit
from rimekeep.stock.usecases.units import close_if_empty, locked_units
from rimekeep.wording import say


def put_back_cases(
    session: Session, now: datetime, caller: Caller, *, content_id: int, cases: int
) -> tuple[Unit, UnitContent]:
    """
    Put promised cases of a picked unit onto one of their own, free for anybody; return it and what is on it.

    They keep the temperature history of the unit they were on, and QA's word and a recall's on it.
    """
    require_cases(cases, where="cases")
    source = session.get(UnitContent, content_id)
    if source is None or source.site_id != caller.site_id:
        raise missing("content", content_id)
    unit = locked_units(session, caller.site_id, [source.unit_id])[0]
    if unit.state != UnitState.PICKED:
        raise Refused(
            "unit-not-picked",
            say(
                "Unit {sscc} is {state}; cases are put back from a picked unit that is not loaded.",
                sscc=unit.sscc,
                state=unit.state,
            ),
            data={"sscc": unit.sscc, "state": str(unit.state)},
        )
    left = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, col(UnitContent.reserved_cases) >= cases)
        .values(cases=col(UnitContent.cases) - cases, reserved_cases=col(UnitContent.reserved_cases) - cases)
        .returning(col(UnitContent.cases))
        .execution_options(synchronize_session=False)
    ).scalar_one_or_none()
    if left is None:
        raise Conflict(
            "not-reserved",
            say(
                "Fewer than {cases} cases of content {content_id} are reserved.",
                cases=cases,
                content_id=content_id,
            ),
            data={"content_id": content_id, "cases": cases},
        )
    session.expire(source)
    target = build_unit(session, now, caller, zone_id=unit.zone_id, bay_id=unit.bay_id)
    freed = UnitContent(
        site_id=caller.site_id,
        unit_id=target.id,
        lot_id=source.lot_id,
        cases=cases,
        reserved_cases=0,
        parent_id=content_id,
        split_at=now,
    )
    session.add(freed)
    target.state, target.qa_state, target.qa_reason = UnitState.IN_STORE, unit.qa_state, unit.qa_reason
    target.recall_reason = unit.recall_reason
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
        "content_id": freed.id,
    }
    record(
        session,
        caller.site_id,
        Event(
            "cases.put-back", now, actor_id=caller.id, lot_id=freed.lot_id, unit_id=target.id, cases=cases,
            data=data,
        ),
    )  # fmt: skip
    return target, freed
