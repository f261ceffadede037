"""Write off cases that were destroyed."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import invalid, missing, refused
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock.core.states import QaState
from rimekeep.stock.tables import Lot, UnitContent
from rimekeep.stock.usecases.quality import require_reason
from rimekeep.stock.usecases.units import close_if_empty, source_to_take, take_free
from rimekeep.wording import say


def destroy_cases(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    content_id: int,
    cases: int,
    reason: str,
    unit_id: int | None = None,
) -> UnitContent:
    """
    Write cases off that were destroyed, which QA must have stopped before: on their unit, or on their lot.

    ``unit_id`` says on which unit they stood. Caution: beer poured away may use up the air of a closed room
    and is waste water that a site must be allowed to discharge; its own rules come first.

    Raises
    ------
    Refused
        They are not stopped, fewer of them are free, or the unit is not in store.
    """
    require_reason(reason)
    found = session.get(UnitContent, content_id)
    if found is None or found.site_id != caller.site_id:
        raise missing("content", content_id)
    if unit_id not in (None, found.unit_id):
        raise invalid(
            "content_id", say("It stands on another unit."), say("Give the id of a content of this unit.")
        )
    source, unit = source_to_take(session, caller.site_id, content_id, cases)
    lot = session.get(Lot, source.lot_id, with_for_update={"read": True}, populate_existing=True)
    assert lot is not None  # the content refers to it
    if unit.qa_state == QaState.RELEASED and lot.qa_state == QaState.RELEASED:
        raise refused(
            "stock-not-stopped",
            "content_id",
            say(
                "Unit {sscc} and lot {code} are released: what may be sold is not destroyed.",
                sscc=unit.sscc,
                code=lot.code,
            ),
            say("Hold or reject the unit first; set broken cases aside on a unit of their own."),
            {"sscc": unit.sscc, "lot": lot.code},
        )
    left = take_free(session, content_id, cases)
    if left is None:
        raise refused(
            "too-many-destroyed",
            "cases",
            say(
                "{cases} cases are more than are free on unit {sscc}: others are reserved, or never were.",
                cases=cases,
                sscc=unit.sscc,
            ),
            say("Cancel or short those picks first, or give the cases that were destroyed."),
            {"sscc": unit.sscc, "cases": cases},
        )
    session.refresh(source)
    close_if_empty(session, unit, now)
    data = {"sscc": unit.sscc, "content_id": content_id, "cases_left": left, "lot": lot.code}
    event = Event(
        "cases.destroyed",
        now,
        actor_id=caller.id,
        lot_id=source.lot_id,
        unit_id=unit.id,
        cases=cases,
        reason=reason,
        data=data,
    )
    record(session, caller.site_id, event)
    told = {"sscc": unit.sscc, "lot": lot.code, "cases": cases, "reason": reason}
    announce(session, caller.site_id, Notice("stock.destroyed", now, told))
    return source
