"""
Keep pick bays filled, and say where what comes in should stand.

Caution: forklifts and people share the aisle. A driver keeps people out of it while a load is raised, looks
at the pallet before lifting it, and follows the site's own rules and licence.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.errors import Conflict, Missing, invalid, refused
from rimekeep.picking import queries
from rimekeep.picking.core.refill import RefillState, plan_refills
from rimekeep.picking.core.scan import is_same_code, read_scan
from rimekeep.picking.core.walk import Layout
from rimekeep.picking.core.ways import there_and_back_m
from rimekeep.picking.tables import Replenishment
from rimekeep.picking.usecases.counted import lead_picks_to
from rimekeep.picking.usecases.making import layout_of
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.lanes import Slot, Stored, Suggestion, suggest
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.tables import Bay, PickFace, Unit, UnitContent
from rimekeep.wording import glued, say

LEASE = timedelta(minutes=30)
CAUTION = say(
    "Forklifts and people share the aisle: keep people out of it while the load is raised, look at the "
    "pallet before lifting it, and follow the site's own rules."
)


@dataclass(frozen=True, slots=True)
class HeldBack:
    """A pick bay that is low and gets nothing now, and why."""

    pick_face_id: int
    bay_code: str
    product_id: int
    reason: str


@dataclass(frozen=True, slots=True)
class Planned:
    """Tasks made, and low bays that get nothing."""

    task_ids: tuple[int, ...]
    held_back: tuple[HeldBack, ...]


@dataclass(frozen=True, slots=True)
class Refilled:
    """What became of a task: done, or over with the reason; nothing was moved then."""

    outcome: str
    told: str
    task_id: int
    to_sscc: str | None


def plan_replenishment(session: Session, now: datetime, by: Caller | int) -> Planned:
    """Make a task for each low pick bay, as far as bulk stock allows; what is on its way counts as there."""
    site_id = by if isinstance(by, int) else by.site_id
    take_turns(session, f"replenishment at site {site_id}")
    faces = queries.faces(session, site_id)
    low = {face.product for face in faces if face.is_low}
    if not low:
        return Planned((), ())
    today = now.astimezone(ZoneInfo(site_of(session, site_id).time_zone)).date()
    plan = plan_refills(faces, queries.sources(session, site_id, low, today=today))
    made = [
        Replenishment(
            site_id=site_id,
            pick_face_id=one.face,
            content_id=one.content,
            cases=one.cases,
            is_whole_unit=one.is_whole_unit,
            state=RefillState.OPEN,
            made_at=now,
        )
        for one in plan.refills
    ]
    session.add_all(made)
    session.flush()
    if made:
        data = {"tasks": [{"id": one.id, "cases": one.cases, "content_id": one.content_id} for one in made]}
        actor = None if isinstance(by, int) else by.id
        cases = sum(one.cases for one in made)
        record(session, site_id, Event("replenishment.planned", now, actor_id=actor, cases=cases, data=data))
    by_key = {face.key: face for face in faces}
    held = [
        HeldBack(key, by_key[key].code, by_key[key].product, reason)
        for key, reason in sorted(plan.held_back.items())
    ]
    return Planned(tuple(one.id for one in made), tuple(held))


def take_replenishment(session: Session, now: datetime, caller: Caller) -> int | None:
    """Take the next forklift task, or get back the one that one has; None when there is none."""
    mine = (col(Replenishment.state) == RefillState.TAKEN) & (col(Replenishment.driver_id) == caller.id)
    silent = (col(Replenishment.state) == RefillState.TAKEN) & (col(Replenishment.leased_until) < now)
    for which in (mine, or_(col(Replenishment.state) == RefillState.OPEN, silent)):
        task = session.scalars(
            select(Replenishment)
            .where(col(Replenishment.site_id) == caller.site_id, which)
            .order_by(col(Replenishment.id))
            .limit(1)
            .with_for_update(skip_locked=True)
            .execution_options(populate_existing=True)
        ).first()
        if task is not None:
            task.state, task.driver_id, task.leased_until = RefillState.TAKEN, caller.id, now + LEASE
            session.flush()
            return task.id
    return None


def hand_back_replenishment(session: Session, now: datetime, caller: Caller, *, task_id: int) -> int:
    """Give a forklift task back."""
    task = _taken(session, caller, task_id)
    task.state, task.driver_id, task.leased_until = RefillState.OPEN, None, None
    session.flush()
    return task.id


def _taken(session: Session, caller: Caller, task_id: int) -> Replenishment:
    task = queries.replenishment(session, caller.site_id, task_id, is_locked=True)
    if task.state != RefillState.TAKEN or task.driver_id != caller.id:
        raise Conflict(
            "task-not-yours",
            say("This task is {state}, and not yours. Take the next one.", state=task.state),
            data={"task_id": task_id, "state": str(task.state)},
        )
    return task


def confirm_replenishment(
    session: Session, now: datetime, caller: Caller, *, task_id: int, scan: str, bay_check_code: str
) -> Refilled:
    """
    Confirm that the cases stand in the pick bay, by the bay's check code and the scan of the pallet.

    Stock that was stopped, promised or moved meanwhile, or that older stock now stands behind, is not moved:
    the task is over and says why.
    """
    # After the turn nothing is reserved or planned beside us: what is looked at holds until we are done.
    take_turns(session, f"allocation at site {caller.site_id}")
    task = _taken(session, caller, task_id)
    face = session.get_one(PickFace, task.pick_face_id)
    bay = stock.bay(session, caller.site_id, face.bay_id)
    content = stock.content(session, caller.site_id, task.content_id)
    unit = stock_usecases.locked_units(session, caller.site_id, [content.unit_id])[0]
    session.refresh(content)
    scanned = read_scan(scan, reference_year=now.year)
    if scanned.sscc != unit.sscc:
        raise refused(
            "wrong-unit",
            "scan",
            say("Scanned is {words}; wanted is pallet {sscc}.", words=scanned.words, sscc=unit.sscc),
            say("Put it back and take pallet {sscc}.", sscc=unit.sscc),
            {"wanted": unit.sscc, "scanned": scanned.sscc},
        )
    if not is_same_code(bay_check_code, bay.check_code):
        raise refused(
            "wrong-bay",
            "bay_check_code",
            say(
                "Check code {bay_check_code} is not that of bay {code}.",
                bay_check_code=bay_check_code,
                code=bay.code,
            ),
            say("Bring it to bay {code}.", code=bay.code),
            {"bay": bay.code},
        )
    reason = _why_not(session, caller.site_id, task, face, unit, content)
    if reason is not None:
        task.state, task.done_at, task.note = RefillState.DROPPED, now, reason
        session.flush()
        _note(session, now, caller, task, unit, "replenishment.dropped", reason)
        return Refilled("over", say("Leave it where it is: {reason}", reason=reason), task.id, None)
    if task.is_whole_unit:
        target = stock_usecases.move_unit(
            session, now, caller, unit_id=unit.id, zone_id=bay.zone_id, bay_id=bay.id
        )
        lead_picks_to(session, unit.id, bay.id)
    else:
        target, _ = stock_usecases.split_off(
            session, now, caller, content_id=content.id, cases=task.cases, zone_id=bay.zone_id, bay_id=bay.id
        )
    task.state, task.done_at, task.to_unit_id = RefillState.DONE, now, target.id
    session.flush()
    _note(session, now, caller, task, target, "replenishment.done", None)
    line = glued(
        say("{cases} cases stand in bay {bay}.", cases=task.cases, bay=bay.code),
        "" if task.is_whole_unit else say("Label it {sscc}.", sscc=target.sscc),
    )
    return Refilled("done", line, task.id, target.sscc)


def _why_not(
    session: Session, site_id: int, task: Replenishment, face: PickFace, unit: Unit, content: UnitContent
) -> str | None:
    lot = stock.lot(session, site_id, content.lot_id)
    session.refresh(lot)
    if unit.qa_state != QaState.RELEASED or lot.qa_state != QaState.RELEASED:
        return say("QA has stopped it.")
    free = content.cases - content.reserved_cases
    if unit.state != UnitState.IN_STORE or free < task.cases:
        return say("It is promised or gone since.")
    if task.is_whole_unit and content.cases != task.cases:
        return say("The pallet is not as it was.")
    now_there = queries.faces(session, site_id, face_ids=[face.id])[0]
    return now_there.hindrance(queries.expires_on(session, site_id, content.id))


def _note(
    session: Session,
    now: datetime,
    caller: Caller,
    task: Replenishment,
    unit: Unit,
    kind: str,
    reason: str | None,
) -> None:
    data = {"task_id": task.id, "sscc": unit.sscc, "content_id": task.content_id, "cases": task.cases}
    record(
        session,
        caller.site_id,
        Event(kind, now, actor_id=caller.id, unit_id=unit.id, reason=reason, data=data),
    )


def suggest_bays(
    session: Session,
    site_id: int,
    *,
    lot_id: int,
    units: int,
    expires_on: date | None,
    zone_id: int | None,
    at_most: int,
) -> list[Suggestion]:
    """
    Return where units of a lot that come in should stand, best first; changes nothing.

    ``expires_on`` is the last day they are good for; None: the date on the label.
    """
    try:
        lot = stock.lot(session, site_id, lot_id)
    except Missing as error:
        raise invalid("lot_id", error.detail, say("Register the lot first.")) from None
    if zone_id is not None:
        try:
            stock.zone(session, site_id, zone_id)
        except Missing as error:
            raise invalid("zone_id", error.detail, say("Give the id of a zone of this site.")) from None
    last_on = lot.best_before_on if expires_on is None else min(expires_on, lot.best_before_on)
    coming = Stored(0, lot.product_id, frozenset({lot.id}), last_on)
    found = queries.lanes(session, site_id, zone_id=zone_id, product_id=lot.product_id)
    ways = _ways(session, site_id, [bay for bay, _ in found])
    slots = [Slot(bay.id, bay.code, lane, ways.get(bay.id)) for bay, lane in found]
    return suggest(slots, coming, units)[:at_most]


def _ways(session: Session, site_id: int, bays: Sequence[Bay]) -> dict[int, float]:
    """Return the way from the dock to each bay and back, where the zone's aisles are known. [m]"""
    depths = queries.store_depths(session, site_id)
    layouts: dict[int, Layout | None] = {
        zone.id: layout_of(zone, depths.get(zone.id)) for zone in stock.zones(session, site_id)
    }
    found = {}
    for bay in bays:
        layout = layouts.get(bay.zone_id)
        if layout is not None:
            found[bay.id] = there_and_back_m(layout, bay.aisle, bay.slot, bay.level)
    return found
