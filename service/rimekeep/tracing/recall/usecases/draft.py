"""Say what would be called back, and drill it."""

from collections.abc import Mapping
from datetime import datetime
from time import perf_counter
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import invalid
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.tracing.recall import queries
from rimekeep.tracing.recall.core.figures import figures
from rimekeep.tracing.recall.core.records import Source
from rimekeep.tracing.recall.core.states import RecallState, ScopeKind
from rimekeep.tracing.recall.tables import Recall, RecallContent, RecallLot, RecallRecord
from rimekeep.wording import say


def draft(session: Session, now: datetime, caller: Caller, *, kind: str, scope: Mapping[str, Any]) -> Recall:
    """Write down what is to be called back; nothing is stopped yet, and what it reaches is looked at anew."""
    _check_window(now, kind, scope)
    source = queries.resolve(session, now, caller.site_id, kind, scope)
    row = _row(session, now, caller, kind, scope, is_mock=False)
    data = {"id": row.id, "kind": kind, "scope": dict(scope), "lots": len(source.lot_ids)}
    record(session, caller.site_id, Event("recall.drafted", now, actor_id=caller.id, data=data))
    return row


def drill(session: Session, now: datetime, caller: Caller, *, kind: str, scope: Mapping[str, Any]) -> Recall:
    """
    Reckon a recall to its complete list of customers, timed, and stop nothing.

    What was found is kept as it was, with the seconds from the question to the list.
    """
    begun = perf_counter()
    _check_window(now, kind, scope)
    source = queries.resolve(session, now, caller.site_id, kind, scope)
    there = queries.stopped(session, caller.site_id, source)
    gone = queries.deliveries(session, caller.site_id, source)
    counted = queries.accounted(session, caller.site_id, source, there, gone)
    row = _row(session, now, caller, kind, scope, is_mock=True)
    keep_source(session, row, source)
    row.figures = figures(source, there, gone, counted)
    row.state, row.started_at, row.started_by = RecallState.CLOSED, now, caller.id
    row.closed_at, row.closed_by = now, caller.id
    queries.customer_parts(session, now, row, gone)
    row.figures = {**row.figures, "list_seconds": round(perf_counter() - begun, 3)}
    session.add(
        RecallRecord(
            recall_id=row.id,
            deliveries=queries.DELIVERIES.dump_python(gone, mode="json"),
            stopped=queries.STOPPED.dump_python(there, mode="json"),
        )
    )
    session.flush()
    data = {"id": row.id, "kind": kind, "scope": dict(scope), **row.figures}
    record(session, caller.site_id, Event("recall.drilled", now, actor_id=caller.id, data=data))
    announce(session, caller.site_id, Notice("recall.drilled", now, data))
    return row


def keep_source(session: Session, row: Recall, source: Source) -> None:
    """Keep what a recall began from."""
    session.add_all(RecallLot(recall_id=row.id, lot_id=lot_id) for lot_id in source.lot_ids)
    session.add_all(
        RecallContent(recall_id=row.id, content_id=content_id) for content_id in source.content_ids or ()
    )
    session.flush()


def _row(
    session: Session, now: datetime, caller: Caller, kind: str, scope: Mapping[str, Any], *, is_mock: bool
) -> Recall:
    row = Recall(
        site_id=caller.site_id,
        state=RecallState.DRAFT,
        is_mock=is_mock,
        kind=kind,
        scope=dict(scope),
        made_at=now,
        made_by=caller.id,
    )
    session.add(row)
    session.flush()
    return row


def _check_window(now: datetime, kind: str, scope: Mapping[str, Any]) -> None:
    if kind != ScopeKind.WINDOW:
        return
    from_at, until_at = (datetime.fromisoformat(scope[name]) for name in ("from_at", "until_at"))
    if until_at <= from_at:
        raise invalid(
            "until_at",
            say(
                "The window ends at {until_at}, not after it begins at {from_at}.",
                until_at=until_at.isoformat(),
                from_at=from_at.isoformat(),
            ),
            say("Give the earlier instant as from_at, the later one as until_at."),
            code="window-reversed",
        )
    if from_at >= now:
        raise invalid(
            "from_at",
            say("{from_at} is yet to come.", from_at=from_at.isoformat()),
            say("Give a window that has begun."),
        )
