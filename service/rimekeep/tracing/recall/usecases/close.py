"""Close a recall: every case is accounted for or its lack explained, and somebody signs for it."""

import hashlib
from dataclasses import asdict
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.usecases import confirm_identity
from rimekeep.errors import Refused
from rimekeep.excursions.usecases.decide import canonical
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import usecases as stock
from rimekeep.stock.core.states import QaState
from rimekeep.stock.usecases.quality import require_reason
from rimekeep.tracing.recall import queries
from rimekeep.tracing.recall.core.reconcile import totals
from rimekeep.tracing.recall.core.states import Ending, RecallState
from rimekeep.tracing.recall.tables import Recall, RecallLot, RecallRecord, RecallUnit
from rimekeep.tracing.recall.usecases.start import require_running
from rimekeep.wording import say

_WORDS = {
    Ending.RELEASE: QaState.RELEASED,
    Ending.REJECT: QaState.REJECTED,
    Ending.HOLD: QaState.HELD,
}


def close(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    recall_id: int,
    reason: str,
    ending: Ending,
    signature_token: str,
) -> Recall:
    """
    Close a recall and say what becomes of the stock it stopped: released, rejected, or left on hold for QA.

    What another running recall reaches too stays stopped by that one.
    """
    require_reason(reason)
    take_turns(session, f"recalls of site {caller.site_id}")
    row = queries.recall(session, caller.site_id, recall_id, is_locked=True)
    require_running(row)
    parts = queries.customer_parts(session, now, row)
    left = [part for part in parts if not part.balance.is_done]
    if left:
        named = ", ".join(f"{part.customer.code} ({part.balance.outstanding})" for part in left[:10])
        raise Refused(
            "recall-open",
            say(
                "{n} of {n_parts} customers have cases outstanding: {named}. Note their answers, or "
                "explain why the rest cannot be told of.",
                n=len(left),
                n_parts=len(parts),
                named=named,
            ),
            data={"customers": [part.customer.code for part in left]},
        )
    signed_at = confirm_identity(session, now, caller, signature_token)
    summed = totals(part.balance for part in parts)
    there, gone = queries.stopped_of(session, now, row), [one for part in parts for one in part.deliveries]
    row.figures = {**row.figures, "at_close": queries.figures_now(session, now, row)}
    session.add(
        RecallRecord(
            recall_id=row.id,
            deliveries=queries.DELIVERIES.dump_python(gone, mode="json"),
            stopped=queries.STOPPED.dump_python(there, mode="json"),
        )
    )
    row.state, row.closed_at, row.closed_by = RecallState.CLOSED, signed_at, caller.id
    row.close_reason, row.ending = reason, ending
    row.closed_signed = canonical(
        {
            "recall": {"id": row.id, "site_id": row.site_id, "started_sha256": row.started_sha256},
            "ending": str(ending),
            "reason": reason,
            "totals": asdict(summed),
            "signed_by": {"id": caller.id, "name": caller.name},
            "signed_at": signed_at.isoformat(),
        }
    )
    row.closed_sha256 = hashlib.sha256(row.closed_signed.encode()).hexdigest()
    session.flush()
    _end_lots(session, now, caller, row, _WORDS[ending])
    _end_units(session, now, caller, row, _WORDS[ending])
    data = {"id": row.id, "ending": str(ending), **asdict(summed), "sha256": row.closed_sha256}
    record(session, row.site_id, Event("recall.closed", now, actor_id=caller.id, reason=reason, data=data))
    announce(session, row.site_id, Notice("recall.closed", now, data))
    return row


def _end_lots(session: Session, now: datetime, caller: Caller, row: Recall, word: QaState) -> None:
    if not queries.is_of_lots(row):
        return
    own = session.scalars(select(RecallLot).where(col(RecallLot.recall_id) == row.id)).all()
    others = queries.lots_beside(session, row)
    for one in own:
        if one.lot_id in others:
            beside = others[one.lot_id]
            stock.recall_lots(session, now, caller, lot_ids=[one.lot_id], reason=beside.reason)
            beside.row.is_held = beside.row.is_held or one.is_held
    rest = [one for one in own if one.lot_id not in others]
    stock.end_lots_recall(
        session,
        now,
        caller,
        lot_ids=[one.lot_id for one in rest],
        word=word,
        reason=row.close_reason,
        held={one.lot_id for one in rest if one.is_held},
    )


def _end_units(session: Session, now: datetime, caller: Caller, row: Recall, word: QaState) -> None:
    if queries.is_of_lots(row):
        return
    own = session.scalars(select(RecallUnit).where(col(RecallUnit.recall_id) == row.id)).all()
    others = queries.units_beside(session, row)
    for one in own:
        if one.unit_id in others:
            beside = others[one.unit_id]
            stock.recall_units(session, now, caller, unit_ids=[one.unit_id], reason=beside.reason)
            beside.row.is_held = beside.row.is_held or one.is_held
    rest = [one for one in own if one.unit_id not in others]
    # What was refused of them rides on units of their own and is marked as they are.
    unit_ids = {one.unit_id for one in rest} | (queries.marked_units(session, row) - others.keys())
    stock.end_units_recall(
        session,
        now,
        caller,
        unit_ids=unit_ids,
        word=word,
        reason=row.close_reason,
        held={one.unit_id for one in rest if one.is_held},
        recall_reason=row.hold_reason,
    )
