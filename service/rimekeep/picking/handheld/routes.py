"""What a handheld reports of a stop, and a whole queue of it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, cast

from fastapi import Depends, Request
from pydantic import BaseModel
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.dependencies import LeadDep, PickerDep, PickerLooksDep, ReaderDep
from rimekeep.picking import usecases
from rimekeep.picking.core.outcomes import line_clock
from rimekeep.picking.handheld import schemas
from rimekeep.picking.schemas import ListOut
from rimekeep.platform.database import Database, let_go
from rimekeep.platform.http import Now, SessionDep, SettingsDep, router
from rimekeep.platform.schemas import Id

routes = router("", "picking")


@dataclass(frozen=True, slots=True)
class AtWork:
    """Who reports of a stop, when, and how long the list stays theirs. [s]"""

    session: Session
    now: datetime
    caller: Caller
    lease_s: int


def at_work(session: SessionDep, now: Now, caller: PickerDep, settings: SettingsDep) -> AtWork:
    """Let pickers in."""
    return AtWork(session, now, caller, settings.lease_s)


AtWorkDep = Annotated[AtWork, Depends(at_work)]


def _reported(
    act: Callable[..., usecases.Picked], pick_id: int, body: BaseModel, by: AtWork
) -> schemas.PickedOut:
    done = act(by.session, by.now, by.caller, pick_id=pick_id, **body.model_dump(), lease_s=by.lease_s)
    return schemas.PickedOut.model_validate(done)


@routes.post("/pick-lists/{list_id}/take")
def take_list(list_id: Id, by: AtWorkDep) -> ListOut:
    """Take one list by its number: one nobody holds, or that a silent device lost."""
    task = usecases.take_list(by.session, by.now, by.caller, list_id=list_id, lease_s=by.lease_s)
    return ListOut.model_validate(task)


@routes.post("/pick-lists/{list_id}/take-over")
def take_over_list(
    list_id: Id,
    body: schemas.TakeOverIn,
    session: SessionDep,
    now: Now,
    caller: LeadDep,
    settings: SettingsDep,
) -> ListOut:
    """
    Take a list from a device that is dead, for another one or for whoever asks next.

    What was picked stays picked. What the device before still sends of the list counts no more, and it
    is told so.
    """
    task = usecases.take_over(
        session, now, caller, list_id=list_id, **body.model_dump(), lease_s=settings.lease_s
    )
    return ListOut.model_validate(task)


@routes.post("/pick-lists/{list_id}/bring")
def bring_list(
    list_id: Id, body: schemas.BringIn, session: SessionDep, now: Now, caller: PickerDep
) -> schemas.BroughtOut:
    """Put down what was picked at a staging bay, confirmed by the bay's check code."""
    done = usecases.bring_list(session, now, caller, list_id=list_id, **body.model_dump())
    return schemas.BroughtOut.model_validate(done)


@routes.post("/picks/{pick_id}/check")
def check_pick(
    pick_id: Id, body: schemas.CheckIn, session: SessionDep, now: Now, caller: PickerLooksDep
) -> schemas.LineOut:
    """Tell whether bay, scan and quantity are right before anything is lifted; changes nothing."""
    line = usecases.check_pick(session, now, caller, pick_id=pick_id, **body.model_dump())
    return schemas.LineOut(line=line)


@routes.post("/picks/{pick_id}/confirm")
def confirm_pick(pick_id: Id, body: schemas.ConfirmIn, by: AtWorkDep) -> schemas.PickedOut:
    """Confirm a stop by the bay's check code and the scan of what was taken."""
    return _reported(usecases.confirm_pick, pick_id, body, by)


@routes.post("/picks/{pick_id}/short")
def short_pick(pick_id: Id, body: schemas.ShortIn, by: AtWorkDep) -> schemas.PickedOut:
    """Report fewer cases than asked for; the pallet is held for a count, the rest served from elsewhere."""
    return _reported(usecases.short_pick, pick_id, body, by)


@routes.post("/picks/{pick_id}/damaged")
def damaged_pick(pick_id: Id, body: schemas.DamagedIn, by: AtWorkDep) -> schemas.PickedOut:
    """Report broken cases: they go on hold, good ones are taken, the rest is served from elsewhere."""
    return _reported(usecases.damaged_pick, pick_id, body, by)


@routes.post("/picks/{pick_id}/not-found")
def not_found(pick_id: Id, body: schemas.NotFoundIn, by: AtWorkDep) -> schemas.PickedOut:
    """Report that the pallet is not at its bay; it is held for a count, and served from elsewhere."""
    return _reported(usecases.not_found, pick_id, body, by)


@routes.get("/picks/{pick_id}/substitutes")
def list_substitutes(pick_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> list[schemas.OfferOut]:
    """Show what may be taken in place of a stop's own pallet: the next by expiry, within the rules."""
    found = usecases.substitutes(session, now, caller, pick_id=pick_id)
    return [schemas.OfferOut.model_validate(one) for one in found]


@routes.post("/picks/{pick_id}/substitute")
def substitute_pick(pick_id: Id, body: schemas.SubstituteIn, by: AtWorkDep) -> schemas.PickedOut:
    """Confirm that another pallet was taken than the stop names; it must be the next by expiry."""
    return _reported(usecases.substitute_pick, pick_id, body, by)


@routes.post("/pick-queue")
def replay_queue(
    body: schemas.QueueIn,
    request: Request,
    session: SessionDep,
    now: Now,
    caller: PickerDep,
    settings: SettingsDep,
) -> schemas.QueueOut:
    """
    Do what a handheld said while it had no network: any order, any part of it, as often as it likes.

    Every call is answered with an outcome and one line for the picker; what stood against one is no
    error of the request. Each call is stored by itself: if the answer is lost, send the queue again.
    """
    # Each call has a transaction of its own; this one must not stand in their way.
    let_go(session)
    calls = [usecases.Queued(**call.model_dump()) for call in body.calls]
    database = cast(Database, request.app.state.database)
    answers = usecases.replay_queue(database, now, caller, calls, lease_s=settings.lease_s)
    # The answer is stored by the event loop, which must not wait for its turn to write: it is taken here.
    session.connection()
    off_s = None if body.sent_at is None else (now - body.sent_at).total_seconds()
    return schemas.QueueOut(
        calls=[schemas.AnsweredOut.model_validate(one) for one in answers],
        clock_off_s=off_s,
        clock_line=None if off_s is None else line_clock(off_s),
    )
