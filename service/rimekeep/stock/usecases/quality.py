"""QA's word on lots and units."""

from collections.abc import Collection
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.errors import Conflict, Refused, invalid, missing, refused
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import day_at
from rimekeep.stock.core.states import HERE, QaState
from rimekeep.stock.tables import Lot, Unit
from rimekeep.stock.usecases.changes import note_lot_changed
from rimekeep.stock.usecases.units import locked_units
from rimekeep.wording import say


def hold_lot(session: Session, now: datetime, caller: Caller, *, lot_id: int, reason: str) -> Lot:
    """Stop a lot: nothing of it is picked or loaded until it is released."""
    return _judge_lot(session, now, caller, lot_id, QaState.HELD, reason)


def release_lot(session: Session, now: datetime, caller: Caller, *, lot_id: int, reason: str) -> Lot:
    """Let a lot be picked."""
    return _judge_lot(session, now, caller, lot_id, QaState.RELEASED, reason)


def reject_lot(session: Session, now: datetime, caller: Caller, *, lot_id: int, reason: str) -> Lot:
    """Stop a lot for good."""
    return _judge_lot(session, now, caller, lot_id, QaState.REJECTED, reason)


def hold_unit(session: Session, now: datetime, caller: Caller, *, unit_id: int, reason: str) -> Unit:
    """Stop a unit: nothing on it is picked or loaded until it is released."""
    return _judge_unit(session, now, caller, unit_id, QaState.HELD, reason)


def release_unit(session: Session, now: datetime, caller: Caller, *, unit_id: int, reason: str) -> Unit:
    """Let a unit be picked."""
    return _judge_unit(session, now, caller, unit_id, QaState.RELEASED, reason)


def reject_unit(session: Session, now: datetime, caller: Caller, *, unit_id: int, reason: str) -> Unit:
    """Stop a unit for good."""
    return _judge_unit(session, now, caller, unit_id, QaState.REJECTED, reason)


def hold_units(
    session: Session,
    now: datetime,
    site_id: int,
    *,
    unit_ids: Collection[int],
    reason: str,
    actor_id: int | None = None,
) -> list[int]:
    """Stop many units at once; return those that were neither stopped already nor gone."""
    return _judge_units(session, now, site_id, unit_ids, QaState.HELD, (QaState.RELEASED,), reason, actor_id)


def release_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int], reason: str
) -> list[int]:
    """Let many units be picked again; return those that were on hold and still are here."""
    return _judge_units(
        session, now, caller.site_id, unit_ids, QaState.RELEASED, (QaState.HELD,), reason, caller.id
    )


def reject_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int], reason: str
) -> list[int]:
    """Stop many units for good; return those that were not rejected before and still are here."""
    before = (QaState.HELD, QaState.RELEASED)
    return _judge_units(session, now, caller.site_id, unit_ids, QaState.REJECTED, before, reason, caller.id)


def _judge_units(
    session: Session,
    now: datetime,
    site_id: int,
    unit_ids: Collection[int],
    word: QaState,
    before: Collection[QaState],
    reason: str,
    actor_id: int | None,
) -> list[int]:
    require_reason(reason)
    judged: list[int] = []
    for some in parts(unit_ids):
        # Locked in key order, as everywhere, so that nobody waits in a circle.
        wanted = (
            select(col(Unit.id))
            .where(col(Unit.site_id) == site_id, col(Unit.id).in_(some))
            .where(col(Unit.qa_state).in_(before), col(Unit.state).in_(HERE))
        )
        if word == QaState.RELEASED:
            wanted = wanted.where(col(Unit.recall_reason).is_(None))
        locked = session.scalars(wanted.order_by(col(Unit.id)).with_for_update()).all()
        rows = session.execute(
            update(Unit)
            .where(col(Unit.id).in_(locked))
            .values(qa_state=word, qa_reason=reason)
            .returning(col(Unit.id), col(Unit.sscc))
            .execution_options(synchronize_session=False)
        ).all()
        for unit_id, sscc in sorted(rows):
            judged.append(unit_id)
            event = Event(
                f"unit.{word}", now, actor_id=actor_id, unit_id=unit_id, reason=reason, data={"sscc": sscc}
            )
            record(session, site_id, event)
            loaded = session.identity_map.get(session.identity_key(Unit, unit_id))
            if loaded is not None:
                session.expire(loaded)
    return judged


def shorten_best_before(
    session: Session, now: datetime, caller: Caller, *, lot_id: int, best_before_on: date, reason: str
) -> Lot:
    """
    Give a lot an earlier best-before date, from now on the lot's own; a date is never lengthened.

    The date on the cases stays what it is until somebody labels them anew.
    """
    require_reason(reason)
    lot = _locked_lot(session, caller.site_id, lot_id)
    before_on = lot.best_before_on
    if best_before_on >= before_on:
        raise refused(
            "date-not-shortened",
            "best_before_on",
            say(
                "{best_before_on} is not before {before_on}, the date of lot {code}.",
                best_before_on=best_before_on,
                before_on=before_on,
                code=lot.code,
            ),
            say("A date can only be shortened: give an earlier day."),
            {"best_before_on": before_on.isoformat()},
        )
    packaged_on = day_at(lot.packaged_at, ZoneInfo(site_of(session, caller.site_id).time_zone))
    if best_before_on <= packaged_on:
        raise invalid(
            "best_before_on",
            say(
                "{best_before_on} is not later than the packaging day {packaged_on}.",
                best_before_on=best_before_on,
                packaged_on=packaged_on,
            ),
            say("Reject the lot if nothing of it may be sold."),
        )
    lot.best_before_on = best_before_on
    session.flush()
    note_lot_changed(session, caller.site_id, lot_id=lot.id)
    data = {"lot": lot.code, "before": before_on.isoformat(), "after": best_before_on.isoformat()}
    record(
        session,
        caller.site_id,
        Event("lot.date-shortened", now, actor_id=caller.id, lot_id=lot.id, reason=reason, data=data),
    )
    return lot


def _judge_lot(
    session: Session, now: datetime, caller: Caller, lot_id: int, word: QaState, reason: str
) -> Lot:
    require_reason(reason)
    lot = _locked_lot(session, caller.site_id, lot_id)
    before = _require_change(say("Lot {lot}", lot=lot.code), lot, word)
    lot.qa_state, lot.qa_reason = word, reason
    session.flush()
    data = {"lot": lot.code, "before": before}
    record(
        session,
        caller.site_id,
        Event(f"lot.{word}", now, actor_id=caller.id, lot_id=lot.id, reason=reason, data=data),
    )
    return lot


def _locked_lot(session: Session, site_id: int, lot_id: int) -> Lot:
    lot = session.scalar(
        select(Lot)
        .where(col(Lot.site_id) == site_id, col(Lot.id) == lot_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )
    if lot is None:
        raise missing("lot", lot_id)
    return lot


def _judge_unit(
    session: Session, now: datetime, caller: Caller, unit_id: int, word: QaState, reason: str
) -> Unit:
    require_reason(reason)
    unit = locked_units(session, caller.site_id, [unit_id])[0]
    if unit.state not in HERE:
        raise Refused(
            "unit-gone",
            say(
                "Unit {sscc} is {state}; QA's word no longer reaches it. Hold the lot instead.",
                sscc=unit.sscc,
                state=unit.state,
            ),
            data={"sscc": unit.sscc, "state": str(unit.state)},
        )
    before = _require_change(say("Unit {sscc}", sscc=unit.sscc), unit, word)
    unit.qa_state, unit.qa_reason = word, reason
    session.flush()
    data = {"sscc": unit.sscc, "before": before}
    record(
        session,
        caller.site_id,
        Event(f"unit.{word}", now, actor_id=caller.id, unit_id=unit.id, reason=reason, data=data),
    )
    return unit


def require_reason(reason: str) -> None:
    """Raise Invalid unless there is a reason to be kept on record."""
    if len(reason.strip()) < 3:
        raise invalid(
            "reason", say("There is no reason."), say("Say why in a few words; it stays on record.")
        )


def _require_change(what: str, row: Lot | Unit, word: QaState) -> str:
    before = row.qa_state
    if word == QaState.RELEASED and row.recall_reason is not None:
        raise Refused(
            "recalled",
            say(
                "{what} is stopped by a recall ({recall_reason}); only the recall's end lets it go.",
                what=what,
                recall_reason=row.recall_reason,
            ),
            data={"recall_reason": row.recall_reason},
        )
    if before == QaState.REJECTED:
        raise Refused(
            "rejected-is-final",
            say("{what} is rejected, which is final.", what=what),
            data={"qa_state": "rejected"},
        )
    if before == word:
        raise Conflict(
            "qa-state", say("{what} is {word} already.", what=what, word=word), data={"qa_state": str(word)}
        )
    return str(before)
