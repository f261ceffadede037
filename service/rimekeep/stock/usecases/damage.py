"""Set broken cases aside."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import refused
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.tables import Stay, Unit, UnitContent
from rimekeep.stock.usecases.changes import note_changed
from rimekeep.stock.usecases.picking import new_sscc
from rimekeep.stock.usecases.units import close_if_empty, source_to_take, take_free
from rimekeep.wording import say


def set_aside(
    session: Session, now: datetime, caller: Caller, *, content_id: int, cases: int, reason: str
) -> Unit:
    """
    Put free cases that are broken onto a unit of their own where they stand, on hold as damaged.

    They keep the temperature history of the unit they were on. Caution: broken glass and leaking cans are
    handled by the site's own rules.

    Raises
    ------
    Refused
        Fewer of them are free, or the unit is not in store.
    """
    source, unit = source_to_take(session, caller.site_id, content_id, cases, where="cases_damaged")
    left = take_free(session, content_id, cases)
    if left is None:
        raise refused(
            "too-many-damaged",
            "cases_damaged",
            say(
                "{cases} broken cases are more than are free on pallet {sscc}: others are reserved.",
                cases=cases,
                sscc=unit.sscc,
            ),
            say("Report the pick short with nothing found; the pallet is then held for a count."),
            {"sscc": unit.sscc, "cases": cases},
        )
    session.expire(source)
    aside = Unit(
        site_id=caller.site_id,
        sscc=new_sscc(session, caller.site_id),
        zone_id=unit.zone_id,
        bay_id=unit.bay_id,
        state=UnitState.IN_STORE,
        qa_state=QaState.HELD,
        qa_reason=f"damaged: {reason}"[:500],
        recall_reason=unit.recall_reason,
        received_at=now,
        is_opened=True,
    )
    session.add(aside)
    session.flush()
    session.add(Stay(site_id=caller.site_id, unit_id=aside.id, zone_id=unit.zone_id, entered_at=now))
    broken = UnitContent(
        site_id=caller.site_id,
        unit_id=aside.id,
        lot_id=source.lot_id,
        cases=cases,
        parent_id=content_id,
        split_at=now,
    )
    session.add(broken)
    unit.is_opened = True
    session.flush()
    note_changed(session, caller.site_id, [aside.id])
    close_if_empty(session, unit, now)
    data = {
        "from_unit_id": unit.id,
        "from_sscc": unit.sscc,
        "from_content_id": content_id,
        "cases_left": left,
        "sscc": aside.sscc,
        "content_id": broken.id,
    }
    event = Event(
        "cases.damaged",
        now,
        actor_id=caller.id,
        lot_id=broken.lot_id,
        unit_id=aside.id,
        cases=cases,
        reason=reason,
        data=data,
    )
    record(session, caller.site_id, event)
    told = {"sscc": aside.sscc, "from_sscc": unit.sscc, "cases": cases, "reason": reason}
    announce(session, caller.site_id, Notice("stock.damaged", now, told))
    return aside
