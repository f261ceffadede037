"""Counts, pick bays and their filling, and where to put what comes in."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import Query
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import DispatcherDep, LeadDep, ReaderDep, StoreDep, admits
from rimekeep.picking import queries, usecases
from rimekeep.picking.core.counts import CountState
from rimekeep.picking.core.refill import RefillState
from rimekeep.picking.floor import schemas
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say

routes = router("", "picking")
# Whoever counts is not told what is on record; pickers are left out for that reason.
OfficeDep = Annotated[Caller, admits(Role.DISPATCHER, Role.QA, Role.LEAD, Role.AUDITOR)]
ComingDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD, changes=False)]
TOLD = {
    CountState.DONE: say("Thank you: done."),
    CountState.OPEN: say("Thank you: somebody else counts it once more."),
    CountState.WAITING: say("Thank you: the lead looks at it."),
}


@routes.post("/counts", status_code=201)
def choose_counts(
    body: schemas.CountsIn, session: SessionDep, now: Now, caller: LeadDep
) -> list[schemas.CountOut]:
    """Have the places counted that are most worth it: soon over, many moves, long not counted, shorts."""
    made = usecases.choose_counts(session, now, caller, **body.model_dump())
    return [schemas.CountOut.model_validate(one) for one in queries.count_views(session, made)]


@routes.get("/counts")
def list_counts(
    session: SessionDep,
    caller: OfficeDep,
    asked: PageDep,
    state: Annotated[CountState | None, Query(description="Only those in this state.")] = None,
    zone_id: Annotated[Id | None, Query(description="Only those there.")] = None,
) -> Page[schemas.CountOut]:
    """List the counts with what was found."""
    rows = asked.rows(session, queries.counts(caller.site_id, state=state, zone_id=zone_id))
    return asked.page([schemas.CountOut.model_validate(one) for one in queries.count_views(session, rows)])


@routes.post("/counts/next")
def take_counts(
    body: schemas.TakeCountsIn, session: SessionDep, now: Now, caller: StoreDep
) -> schemas.DaysWalkOut:
    """
    Take the next places to be counted in one zone, in the order of the walk, or get back those one has.

    A place not counted within the hour is somebody else's. Do not climb racks: have a pallet brought down.
    """
    return schemas.DaysWalkOut.model_validate(usecases.take_counts(session, now, caller, **body.model_dump()))


@routes.get("/counts/{count_id}")
def show_count(count_id: Id, session: SessionDep, caller: OfficeDep) -> schemas.CountOut:
    """Show a count with what was found."""
    return _count(session, queries.count(session, caller.site_id, count_id))


@routes.post("/counts/{count_id}/answer")
def answer_count(
    count_id: Id, body: schemas.CountAnswerIn, session: SessionDep, now: Now, caller: StoreDep
) -> schemas.CountAnsweredOut:
    """Tell what stands at the place: every pallet by its SSCC, with the cases of each lot on it."""
    units = [
        usecases.CountedUnit(one.scan, tuple(usecases.CountedLot(lot.lot, lot.cases) for lot in one.lots))
        for one in body.units
    ]
    count = usecases.answer_count(
        session,
        now,
        caller,
        count_id=count_id,
        bay_check_code=body.bay_check_code,
        counted_s_ago=body.counted_s_ago,
        units=units,
    )
    return _answered(count)


@routes.post("/counts/{count_id}/hand-back")
def hand_back_count(
    count_id: Id, session: SessionDep, now: Now, caller: StoreDep
) -> schemas.CountAnsweredOut:
    """Give a count back that one has taken."""
    count = usecases.hand_back_count(session, now, caller, count_id=count_id)
    return _answered(count, say("Handed back."))


@routes.post("/counts/{count_id}/approve")
def approve_count(
    count_id: Id, body: schemas.ReasonedIn, session: SessionDep, now: Now, caller: LeadDep
) -> schemas.ApprovedOut:
    """
    Set the record right by what was counted.

    Where fewer are left than reserved, the latest need gives way, never what is picked; its lines are served
    from other stock or told short. Units found elsewhere stand there from now on.
    """
    done = usecases.approve_count(session, now, caller, count_id=count_id, reason=body.reason)
    given = [schemas.GivenWayOut.model_validate(one) for one in done.given_back]
    shown = _count(session, done.count)
    return schemas.ApprovedOut(**shown.model_dump(), given_back=given, order_ids=list(done.order_ids))


@routes.post("/counts/{count_id}/dismiss")
def dismiss_count(
    count_id: Id, body: schemas.ReasonedIn, session: SessionDep, now: Now, caller: LeadDep
) -> schemas.CountOut:
    """Let the record stand as it is."""
    return _count(
        session, usecases.dismiss_count(session, now, caller, count_id=count_id, reason=body.reason)
    )


@routes.post("/counts/{count_id}/again")
def count_again(
    count_id: Id, body: schemas.ReasonedIn, session: SessionDep, now: Now, caller: LeadDep
) -> schemas.CountOut:
    """Have a place counted once more, by somebody else."""
    return _count(session, usecases.count_again(session, now, caller, count_id=count_id, reason=body.reason))


def _count(session: Session, row: Any) -> schemas.CountOut:
    return schemas.CountOut.model_validate(queries.count_views(session, [row])[0])


def _answered(count: Any, told: str | None = None) -> schemas.CountAnsweredOut:
    state = CountState(count.state)
    return schemas.CountAnsweredOut(id=count.id, state=state, round=count.round, told=told or TOLD[state])


@routes.post("/pick-faces", status_code=201)
def set_pick_face(
    body: schemas.PickFaceIn, session: SessionDep, now: Now, caller: LeadDep
) -> schemas.PickFaceOut:
    """Say how many cases of a product a pick bay shall always hold; said anew, it changes."""
    face = stock_usecases.set_pick_face(session, now, caller, **body.model_dump())
    shown = queries.pick_face_views(session, caller.site_id, [face])[0]
    return schemas.PickFaceOut.model_validate(shown)


@routes.get("/pick-faces")
def list_pick_faces(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.PickFaceOut]:
    """List what pick bays shall hold and what they hold."""
    rows = asked.rows(session, queries.pick_faces(caller.site_id))
    views = queries.pick_face_views(session, caller.site_id, rows)
    return asked.page([schemas.PickFaceOut.model_validate(one) for one in views])


@routes.post("/replenishments", status_code=201)
def plan_replenishment(session: SessionDep, now: Now, caller: DispatcherDep) -> schemas.PlannedRefillsOut:
    """
    Make forklift tasks for pick bays that are low, first-expired first, and tell why a low one gets nothing.

    It is done every few minutes anyway.
    """
    done = usecases.plan_replenishment(session, now, caller)
    held = [schemas.HeldBackOut.model_validate(one) for one in done.held_back]
    return schemas.PlannedRefillsOut(made=_tasks(session, done.task_ids), held_back=held)


@routes.get("/replenishments")
def list_replenishments(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    state: Annotated[RefillState | None, Query(description="Only those in this state.")] = None,
) -> Page[schemas.RefillTaskOut]:
    """List the forklift tasks."""
    rows = asked.rows(session, queries.replenishments(caller.site_id, state=state))
    return asked.page(_tasks(session, [row.id for row in rows]))


@routes.post("/replenishments/next")
def take_replenishment(session: SessionDep, now: Now, caller: StoreDep) -> schemas.RefillTaskOut | None:
    """Take the next forklift task, or get back the one that one has; null when there is none."""
    task_id = usecases.take_replenishment(session, now, caller)
    return None if task_id is None else _tasks(session, [task_id])[0]


@routes.post("/replenishments/{replenishment_id}/confirm")
def confirm_replenishment(
    replenishment_id: Id, body: schemas.RefillConfirmIn, session: SessionDep, now: Now, caller: StoreDep
) -> schemas.RefilledOut:
    """Confirm that the cases stand in the pick bay; `over` where that is no longer right."""
    done = usecases.confirm_replenishment(session, now, caller, task_id=replenishment_id, **body.model_dump())
    return schemas.RefilledOut.model_validate(done)


@routes.post("/replenishments/{replenishment_id}/hand-back")
def hand_back_replenishment(
    replenishment_id: Id, session: SessionDep, now: Now, caller: StoreDep
) -> schemas.RefillTaskOut:
    """Give a forklift task back."""
    task_id = usecases.hand_back_replenishment(session, now, caller, task_id=replenishment_id)
    return _tasks(session, [task_id])[0]


def _tasks(session: Session, task_ids: list[int] | tuple[int, ...]) -> list[schemas.RefillTaskOut]:
    return [
        schemas.RefillTaskOut.model_validate({**asdict(one), "caution": usecases.CAUTION})
        for one in queries.refill_tasks(session, task_ids)
    ]


@routes.post("/putaway")
def suggest_bays(
    body: schemas.PutawayIn, session: SessionDep, caller: ComingDep
) -> list[schemas.SuggestionOut]:
    """Suggest where units that come in should stand, so that nothing older is buried; changes nothing."""
    found = usecases.suggest_bays(session, caller.site_id, **body.model_dump())
    return [schemas.SuggestionOut.model_validate(one) for one in found]


@routes.get("/buried-units")
def list_buried_units(session: SessionDep, caller: ReaderDep) -> list[schemas.BuriedOut]:
    """Show what stands behind newer stock in deep lanes, as a life moved or somebody put it there anyway."""
    found = queries.buried_units(session, caller.site_id)
    return [schemas.BuriedOut.model_validate(one) for one in found]
