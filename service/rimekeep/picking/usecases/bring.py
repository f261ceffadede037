"""Bring what was picked to a staging bay."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import refused
from rimekeep.picking import queries
from rimekeep.picking.core.outcomes import Call, Outcome, line_list
from rimekeep.picking.core.scan import is_same_code
from rimekeep.picking.core.states import PickState
from rimekeep.picking.usecases.lists import not_yours
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.states import ZoneKind
from rimekeep.wording import say

STAGING = (ZoneKind.STAGING, ZoneKind.DOCK)


@dataclass(frozen=True, slots=True)
class Brought:
    """Where the pallets of a list stand now."""

    list_id: int
    bay_code: str
    zone_code: str
    ssccs: tuple[str, ...]
    outcome: Outcome
    line: str


def bring_list(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    list_id: int,
    bay: str,
    bay_check_code: str,
    device_at: datetime | None = None,
) -> Brought:
    """
    Put down what was picked on a list at a staging bay, confirmed by the bay's check code.

    Raises
    ------
    Missing
        There is no such bay.
    Refused
        Stops of the list are open, the bay is not one of staging or a dock, or its check code is another.
    Conflict
        Another device has the list.
    """
    queries.pick_list(session, caller.site_id, list_id)
    task = queries.list_task(session, caller.site_id, list_id)
    if task.device_id != caller.id:
        raise not_yours(session, task, caller)
    if left := [str(pick.stop) for pick in task.picks if pick.state == PickState.OPEN]:
        fact = say(
            "Stop {choices} of list {list_id} is still open.", choices=", ".join(left), list_id=list_id
        )
        raise refused("picks-open", "list_id", fact, say("Pick it or report it first."), {"list_id": list_id})
    place = stock.bay_by_code(session, caller.site_id, bay)
    zone = stock.zone(session, caller.site_id, place.zone_id)
    if zone.kind not in STAGING:
        fact = say("Bay {bay} is in zone {code}, which is no staging area.", bay=bay, code=zone.code)
        raise refused(
            "not-staging", "bay", fact, say("Bring it to a bay of staging or a dock."), {"bay": bay}
        )
    if not is_same_code(bay_check_code, place.check_code):
        fact = say(
            "Check code {bay_check_code} is not that of bay {bay}.", bay_check_code=bay_check_code, bay=bay
        )
        raise refused("wrong-bay", "bay_check_code", fact, say("Go to bay {bay}.", bay=bay), {"bay": bay})
    units = queries.picked_units(session, list_id)
    for unit in units:
        if unit.bay_id != place.id:
            stock_usecases.move_unit(session, now, caller, unit_id=unit.id, zone_id=zone.id, bay_id=place.id)
    data: dict[str, object] = {"list_id": list_id, "bay_id": place.id, "units": [unit.sscc for unit in units]}
    if device_at is not None:
        data["device_at"] = device_at.isoformat()
    record(session, caller.site_id, Event("pick_list.brought", now, actor_id=caller.id, data=data))
    return Brought(
        list_id,
        place.code,
        zone.code,
        tuple(unit.sscc for unit in units),
        Outcome.DONE,
        line_list(Call.BRING, list_id, place=say("bay {bay}", bay=place.code), units=len(units)),
    )
