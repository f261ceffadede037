"""What a stop did not give is served from elsewhere at once, on the same walk if possible."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.picking import queries
from rimekeep.picking.core.outcomes import stops_instead
from rimekeep.picking.core.records import SHORT_PICK
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.core.wave import Take
from rimekeep.picking.queries import PickFacts
from rimekeep.picking.tables import Allocated, Pick, PickList, ShortLine
from rimekeep.picking.usecases.allocate import note_shorts, planned, reserve
from rimekeep.picking.usecases.walking import walk_again
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class AddedStop:
    """A stop that came in place of what another did not give."""

    list_id: int
    stop: int
    pick_id: int
    cases: int
    sscc: str
    bay_code: str | None


def wait_for_planners(session: Session, site_id: int) -> None:
    """
    Hold the site's turn to allocate, to the end of the transaction.

    Whoever plans takes it before any order; asked for later, two could wait for each other.
    """
    take_turns(session, f"allocation at site {site_id}")


def serve_rest(
    session: Session, now: datetime, caller: Caller, pick: PickFacts, *, is_short: bool, not_from: int | None
) -> tuple[AddedStop, ...]:
    """
    Serve what is missing of a pick's line from other stock, by the rules of any wave; return the new stops.

    In the list's own room they join its walk, else they come onto a list there. ``is_short`` keeps the
    picker's word as the reason of what nothing serves; ``not_from`` names a unit nothing is taken of. The
    turn to allocate is the caller's already.
    """
    facts = queries.wave_facts(session, now, caller.site_id, [pick.order_id], line_ids={pick.line_id})
    plan = planned(replace(facts, free=[one for one in facts.free if one.unit_id != not_from]))
    try:
        with session.begin_nested():
            reserve(session, now, caller.site_id, plan.wave.takes)
    except (Conflict, Refused):
        # Stopped in this very moment: the line stays short, and the next wave sees to it.
        return ()
    note_shorts(session, now, caller.site_id, plan)
    if is_short and (left := session.get(ShortLine, pick.line_id, populate_existing=True)) is not None:
        left.reason = SHORT_PICK
        session.flush()
    added = tuple(_put_on_list(session, now, caller.site_id, pick, take) for take in plan.wave.takes)
    if added:
        by_list: dict[int, list[int]] = defaultdict(list)
        for one in added:
            by_list[one.list_id].append(one.pick_id)
        for list_id in sorted(by_list):
            walk_again(session, caller.site_id, list_id, by_list[list_id])
        data = {
            "order_id": pick.order_id,
            "code": pick.order_code,
            "line_id": pick.line_id,
            "instead_of_pick_id": pick.pick_id,
            "taken": [
                {"lot_id": take.content.lot_id, "unit_id": take.content.unit_id, "cases": take.cases}
                for take in plan.wave.takes
            ],
        }
        cases = sum(one.cases for one in added)
        event = Event("order.reallocated", now, actor_id=caller.id, cases=cases, data=data)
        record(session, caller.site_id, event)
    return added


def told_stops(pick: PickFacts, added: Collection[AddedStop]) -> str:
    """Return in words where the rest of a pick comes from."""
    own = [one.stop for one in added if one.list_id == pick.list_id]
    return stops_instead(own, sum(one.cases for one in added if one.list_id != pick.list_id))


def _put_on_list(session: Session, now: datetime, site_id: int, pick: PickFacts, take: Take) -> AddedStop:
    allocation_id = session.execute(
        select(func.max(col(Allocated.id)))
        .where(col(Allocated.line_id) == take.line_id, col(Allocated.content_id) == take.content.content_id)
        .where(col(Allocated.state) == AllocationState.RESERVED)
    ).scalar_one()
    list_id = pick.list_id
    if take.content.zone_id != pick.zone_id:
        list_id = _list_in(session, now, site_id, pick.order_id, take.content.zone_id)
    last = session.scalar(select(func.max(col(Pick.stop))).where(col(Pick.list_id) == list_id))
    stop = int(last or 0) + 1
    planned_unit_id = tier = None
    if list_id == pick.list_id:
        # The same pallet is built on; where the new stop is a whole pallet it goes as it is.
        place = select(col(Pick.planned_unit_id), col(Pick.tier)).where(col(Pick.id) == pick.pick_id)
        planned_unit_id, tier = session.execute(place).one()
    row = {
        "site_id": site_id,
        "list_id": list_id,
        "stop": stop,
        "walk_no": stop,
        "allocation_id": allocation_id,
        "bay_id": take.content.bay_id,
        "planned_unit_id": planned_unit_id,
        "tier": tier,
        "state": str(PickState.OPEN),
        "picked_cases": 0,
        "reason": "",
        "note": say("In place of what stop {stop} did not give.", stop=pick.stop)
        if list_id == pick.list_id
        else say("In place of what another room did not give."),
    }
    table = SQLModel.metadata.tables["pick"]
    pick_id = session.execute(insert(table).values(row).returning(table.c.id)).scalar_one()
    return AddedStop(list_id, stop, pick_id, take.cases, take.content.sscc, take.content.bay_code)


def _list_in(session: Session, now: datetime, site_id: int, order_id: int, zone_id: int) -> int:
    """Return the order's own open list in a room, or begin one."""
    found = session.scalar(
        select(func.min(col(PickList.id)))
        .where(col(PickList.site_id) == site_id, col(PickList.order_id) == order_id)
        .where(col(PickList.zone_id) == zone_id, col(PickList.state) != ListState.DONE)
    )
    if found is not None:
        return found
    made = PickList(
        site_id=site_id, order_id=order_id, zone_id=zone_id, state=ListState.READY, walk_m=0.0, made_at=now
    )
    session.add(made)
    session.flush()
    data = {"list_id": made.id, "order_id": order_id, "zone_id": zone_id}
    record(session, site_id, Event("pick_list.made", now, data=data))
    return made.id


def give_back(session: Session, pick: PickFacts) -> None:
    """End the reservation of an open pick; its cases are free again."""
    stock_usecases.return_cases(session, pick.content_id, pick.cases)
    table = SQLModel.metadata.tables["allocation"]
    session.execute(
        table.update().where(table.c.id == pick.allocation_id).values(state=AllocationState.RETURNED)
    )
