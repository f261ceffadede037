"""Cases of a departed unit that a customer would not take."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid, missing
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import require_cases
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Stay, Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.picking import new_sscc
from rimekeep.stock.usecases.units import locked_units
from rimekeep.wording import say


def refuse_cases(
    session: Session,
    caller: Caller,
    *,
    content_id: int,
    cases: int,
    at: datetime,
    facts: Mapping[str, Any],
    where: str,
    onto: Unit | None = None,
) -> tuple[Unit, UnitContent]:
    """
    Put some cases of a departed unit onto one of their own, which rides along; return it and what is on it.

    ``onto`` is the unit that other cases refused of this one were put onto already.

    They keep the temperature history of the unit they were on, and QA's word on it. ``where`` names the field
    that says how many.
    """
    require_cases(cases, where=where)
    source = session.get(UnitContent, content_id)
    if source is None or source.site_id != caller.site_id:
        raise missing("content", content_id)
    unit = locked_units(session, caller.site_id, [source.unit_id])[0]
    if unit.state != UnitState.DEPARTED:
        raise Refused(
            "unit-not-departed",
            say("Unit {sscc} is {state}; it is not on the road.", sscc=unit.sscc, state=unit.state),
            data={"sscc": unit.sscc, "state": str(unit.state)},
        )  # fmt: skip
    left = session.execute(
        update(UnitContent)
        .where(col(UnitContent.id) == content_id, col(UnitContent.cases) >= cases)
        .values(cases=col(UnitContent.cases) - cases)
        .returning(col(UnitContent.cases))
        .execution_options(synchronize_session=False)
    ).scalar_one_or_none()
    session.expire(source)
    if left is None:
        raise invalid(
            where,
            say("Unit {sscc} carries {cases} cases of that lot.", sscc=unit.sscc, cases=source.cases),
            say("Give at most {cases}.", cases=source.cases),
        )
    refused = onto or _riding_along(session, unit, at)
    moved = UnitContent(
        site_id=caller.site_id,
        unit_id=refused.id,
        lot_id=source.lot_id,
        cases=cases,
        parent_id=content_id,
        split_at=at,
    )
    session.add(moved)
    unit.is_opened = True
    session.flush()
    note_changed(session, caller.site_id, [unit.id, refused.id])
    data = {
        "from_unit_id": unit.id,
        "from_sscc": unit.sscc,
        "from_content_id": content_id,
        "cases_left": left,
        "sscc": refused.sscc,
        "content_id": moved.id,
        **facts,
    }
    event = Event(
        "cases.refused",
        at,
        actor_id=caller.id,
        lot_id=moved.lot_id,
        unit_id=refused.id,
        cases=cases,
        data=data,
    )
    record(session, caller.site_id, event)
    return refused, moved


def _riding_along(session: Session, unit: Unit, at: datetime) -> Unit:
    """Begin a unit for what is refused of another one, in the same vehicle."""
    refused = Unit(
        site_id=unit.site_id,
        sscc=new_sscc(session, unit.site_id),
        zone_id=unit.zone_id,
        state=UnitState.DEPARTED,
        qa_state=unit.qa_state,
        qa_reason=unit.qa_reason,
        recall_reason=unit.recall_reason,
        received_at=unit.received_at,
        is_opened=True,
    )
    session.add(refused)
    session.flush()
    session.add(Stay(site_id=unit.site_id, unit_id=refused.id, zone_id=unit.zone_id, entered_at=at))
    return refused
