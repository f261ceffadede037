"""Stop lots and units for a recall, and let them go at its end."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.platform.database import parts
from rimekeep.stock.core.states import QaState
from rimekeep.stock.tables import Lot, Unit
from rimekeep.stock.usecases.quality import (
    hold_lot,
    hold_units,
    reject_lot,
    reject_units,
    release_lot,
    release_units,
)


@dataclass(frozen=True, slots=True)
class Called:
    """Lots or units a recall stopped: those it put on hold, and those that QA had stopped before."""

    held: tuple[int, ...]
    before: tuple[int, ...]


def recall_lots(
    session: Session, now: datetime, caller: Caller, *, lot_ids: Collection[int], reason: str
) -> Called:
    """Put lots on hold that only the end of a recall lifts; what of them comes back later is stopped too."""
    held, before = [], []
    for lot in _lots(session, caller.site_id, lot_ids):
        if lot.qa_state == QaState.RELEASED:
            hold_lot(session, now, caller, lot_id=lot.id, reason=reason)
            held.append(lot.id)
        else:
            before.append(lot.id)
        lot.recall_reason = reason
    session.flush()
    return Called(tuple(held), tuple(before))


def recall_units(
    session: Session, now: datetime, caller: Caller, *, unit_ids: Collection[int], reason: str
) -> Called:
    """
    Put units on hold that only the end of a recall lifts.

    QA's word does not reach the road: units that left are marked, and held when they are taken back.
    """
    held = hold_units(session, now, caller.site_id, unit_ids=unit_ids, reason=reason, actor_id=caller.id)
    _mark_units(session, caller.site_id, unit_ids, reason)
    return Called(tuple(held), tuple(sorted(set(unit_ids) - set(held))))


def end_lots_recall(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    lot_ids: Collection[int],
    word: QaState,
    reason: str,
    held: Collection[int],
) -> None:
    """
    End a recall for its lots: rejected, released or left on hold for QA.

    Released are only those it ``held`` itself; the others were stopped before for a reason of their own.
    """
    for lot in _lots(session, caller.site_id, lot_ids):
        lot.recall_reason = None
        session.flush()
        if word == QaState.REJECTED and lot.qa_state != QaState.REJECTED:
            reject_lot(session, now, caller, lot_id=lot.id, reason=reason)
        elif word == QaState.RELEASED and lot.id in held and lot.qa_state == QaState.HELD:
            release_lot(session, now, caller, lot_id=lot.id, reason=reason)
    session.flush()


def end_units_recall(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    unit_ids: Collection[int],
    word: QaState,
    reason: str,
    held: Collection[int],
    recall_reason: str,
) -> None:
    """
    End a recall for its units: rejected, released or left on hold for QA.

    Released are only those it ``held`` itself, at once or (by ``recall_reason``) when they came back; others
    were stopped for a reason of their own.
    """
    _mark_units(session, caller.site_id, unit_ids, None)
    if word == QaState.REJECTED:
        reject_units(session, now, caller, unit_ids=unit_ids, reason=reason)
    elif word == QaState.RELEASED:
        own = set(held)
        for some in parts(unit_ids):
            own |= set(
                session.scalars(
                    select(col(Unit.id)).where(col(Unit.id).in_(some), col(Unit.qa_reason) == recall_reason)
                )
            )
        release_units(session, now, caller, unit_ids=own, reason=reason)


def _lots(session: Session, site_id: int, lot_ids: Collection[int]) -> list[Lot]:
    return [
        lot
        for some in parts(lot_ids)
        for lot in session.scalars(
            select(Lot)
            .where(col(Lot.site_id) == site_id, col(Lot.id).in_(some))
            .order_by(col(Lot.id))
            .with_for_update()
            .execution_options(populate_existing=True)
        )
    ]


def _mark_units(session: Session, site_id: int, unit_ids: Collection[int], reason: str | None) -> None:
    for some in parts(unit_ids):
        # Locked in key order, as everywhere, so that nobody waits in a circle.
        locked = session.scalars(
            select(col(Unit.id))
            .where(col(Unit.site_id) == site_id, col(Unit.id).in_(some))
            .order_by(col(Unit.id))
            .with_for_update()
        ).all()
        session.execute(
            update(Unit)
            .where(col(Unit.id).in_(locked))
            .values(recall_reason=reason)
            .execution_options(synchronize_session=False)
        )
    for row in session.identity_map.values():
        if isinstance(row, Unit):
            session.expire(row)
