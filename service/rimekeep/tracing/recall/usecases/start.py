"""Start a recall: everything that is still here is stopped at once, in one transaction."""

import hashlib
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.usecases import confirm_identity
from rimekeep.errors import Conflict, Refused
from rimekeep.excursions.usecases.decide import canonical
from rimekeep.orders import queries as orders
from rimekeep.picking import queries as picking_queries
from rimekeep.picking.core.records import Reallocated
from rimekeep.picking.usecases import reallocate
from rimekeep.platform.database import parts, take_turns
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import usecases as stock
from rimekeep.stock.usecases.quality import require_reason
from rimekeep.tracing.recall import queries
from rimekeep.tracing.recall.core.figures import NEWS, by_customer, figures, trips_to_call, trips_to_unload
from rimekeep.tracing.recall.core.records import Delivery, Source
from rimekeep.tracing.recall.core.states import RecallState
from rimekeep.tracing.recall.tables import Recall, RecallLot, RecallUnit
from rimekeep.tracing.recall.usecases.draft import keep_source
from rimekeep.wording import say


def start(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    recall_id: int,
    reason: str,
    signature_token: str,
    answer_within_s: int,
) -> Recall:
    """
    Stop what a draft reaches, sign for it, and note whom to tell.

    Whole lots are put on hold, wherever their cases are; of touched stock the units are. Lines it was
    reserved for are served anew, pickers' stops withdrawn; nothing of it is loaded, and no truck departs with
    it. What is on the road is held when it comes back: the notice names the trucks whose drivers have to be
    called.
    """
    require_reason(reason)
    take_turns(session, f"recalls of site {caller.site_id}")
    row = queries.recall(session, caller.site_id, recall_id, is_locked=True)
    if row.state != RecallState.DRAFT:
        raise Conflict(
            "recall-started",
            say(
                "Recall {id} is {state}{which}; it is started once.",
                id=row.id,
                state=row.state,
                which=(say(" and was a drill") if row.is_mock else ""),
            ),
            data={"id": row.id, "state": row.state},
        )
    signed_at = confirm_identity(session, now, caller, signature_token)
    source = queries.source_of(session, now, row)
    # In the one order everybody locks in: the turn to allocate, orders, lists; then lots and units.
    take_turns(session, f"allocation at site {caller.site_id}")
    lines = queries.reserved_lines(session, caller.site_id, source)
    orders.lock_orders(session, caller.site_id, set(lines.values()))
    picking_queries.lock_lists(session, set(lines.values()))
    row.reason, row.answer_within_s = reason, answer_within_s
    source = _stop(session, now, caller, row, source)
    served = reallocate(session, now, caller, lines.keys()) if lines else Reallocated(())
    there = queries.stopped(session, caller.site_id, source)
    gone = queries.deliveries(session, caller.site_id, source)
    counted = queries.accounted(session, caller.site_id, source, there, gone)
    row.state, row.started_at, row.started_by = RecallState.RUNNING, signed_at, caller.id
    row.figures = {
        **figures(source, there, gone, counted),
        "lines_served_anew": len(served.lines),
        "trips_to_call": trips_to_call(there, gone),
        "trips_to_unload": trips_to_unload(there),
    }
    session.flush()
    row.started_signed = canonical(_signed(row, caller, source, signed_at))
    row.started_sha256 = hashlib.sha256(row.started_signed.encode()).hexdigest()
    session.flush()
    _tell(session, now, caller, row, gone)
    return row


def _stop(session: Session, now: datetime, caller: Caller, row: Recall, source: Source) -> Source:
    """Stop what a draft reaches; return that as it was once nobody could move any of it."""
    if source.content_ids is None:
        keep_source(session, row, source)
        called = stock.recall_lots(session, now, caller, lot_ids=source.lot_ids, reason=row.hold_reason)
        for some in parts(called.held):
            session.execute(
                update(RecallLot)
                .where(col(RecallLot.recall_id) == row.id, col(RecallLot.lot_id).in_(some))
                .values(is_held=True)
            )
        return source
    held: set[int] = set()
    unit_ids: set[int] = set()
    # Until the units are locked their cases may be moved onto others, which were made later and so have
    # higher numbers: they are locked after these.
    while new := set(queries.units_of(session, source)) - unit_ids:
        called = stock.recall_units(session, now, caller, unit_ids=new, reason=row.hold_reason)
        held |= set(called.held)
        unit_ids |= new
        source = queries.source_of(session, now, row)
    keep_source(session, row, source)
    session.add_all(
        RecallUnit(recall_id=row.id, unit_id=key, is_held=key in held) for key in sorted(unit_ids)
    )
    session.flush()
    return source


def _signed(row: Recall, caller: Caller, source: Source, signed_at: datetime) -> dict[str, Any]:
    return {
        "recall": {
            "id": row.id,
            "site_id": row.site_id,
            "kind": row.kind,
            "scope": row.scope,
            "lot_ids": list(source.lot_ids),
            "reason": row.reason,
            "answer_within_s": row.answer_within_s,
        },
        "figures": row.figures,
        "signed_by": {"id": caller.id, "name": caller.name},
        "signed_at": signed_at.isoformat(),
    }


def _tell(session: Session, now: datetime, caller: Caller, row: Recall, gone: Sequence[Delivery]) -> None:
    codes = {part.customer.id: part.customer.code for part in queries.customer_parts(session, now, row, gone)}
    data = {
        "id": row.id,
        "kind": row.kind,
        "reason": row.reason,
        **row.figures,
        "trips_to_call": row.figures["trips_to_call"][:NEWS],
        "customer_cases": by_customer(gone, codes),
    }
    announce(session, row.site_id, Notice("recall.started", now, data))
    event = Event(
        "recall.started",
        now,
        actor_id=caller.id,
        reason=row.reason,
        data={**data, "sha256": row.started_sha256},
    )
    record(session, row.site_id, event)


def require_running(row: Recall) -> None:
    """Raise unless a recall runs: a draft reaches nobody, and what is closed stays as it was."""
    if row.state == RecallState.DRAFT:
        raise Refused(
            "recall-not-started",
            say("Recall {id} is a draft; start it first.", id=row.id),
            data={"id": row.id},
        )
    if row.state == RecallState.CLOSED:
        what = say("was a drill, which nobody is told of") if row.is_mock else say("is closed")
        raise Conflict("recall-closed", say("Recall {id} {what}.", id=row.id, what=what), data={"id": row.id})
