"""Take in what partners tell: a document is kept at once, and worked off later."""

import hashlib
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Fault, Malformed
from rimekeep.platform.journal import Event, record
from rimekeep.tracing.epcis import queries
from rimekeep.tracing.epcis.core.checking import faults_of, read_document
from rimekeep.tracing.epcis.core.states import CaptureState, OnError
from rimekeep.tracing.epcis.tables import EpcisCapture
from rimekeep.tracing.epcis.usecases.storing import Known, known_by, store

MOST_ATTEMPTS = 5
# Errors kept of one document.
MOST_ERRORS = 1000


def take_document(
    session: Session, now: datetime, caller: Caller, *, body: bytes, on_error: OnError
) -> EpcisCapture:
    """
    Keep a document to be worked off.

    Raises
    ------
    Malformed
        It is no EPCIS document; its single events are looked at later.
    """
    events = read_document(body)
    added = EpcisCapture(
        site_id=caller.site_id,
        asked_by=caller.id,
        asked_at=now,
        on_error=on_error,
        body=body,
        sha256=hashlib.sha256(body).hexdigest(),
        events=len(events),
    )
    session.add(added)
    session.flush()
    data = {"id": added.id, "sha256": added.sha256, "events": added.events, "on_error": str(on_error)}
    record(session, caller.site_id, Event("epcis.sent", now, actor_id=caller.id, data=data))
    return added


@dataclass
class _Sorted:
    """The events of a document: to be stored, there already, and what is wrong with the others."""

    fresh: list[Known] = field(default_factory=list)
    repeated: int = 0
    errors: list[dict[str, Any]] = field(default_factory=list)


def begin_attempt(session: Session, now: datetime, capture_id: int) -> bool:
    """
    Count an attempt at a document; return whether it is to be made.

    It is counted in a transaction of its own: a document that brings the process down is given up in the end.
    """
    waiting = _waiting(session, capture_id)
    if waiting is None:
        return False
    if waiting.attempts >= MOST_ATTEMPTS:
        give_up(session, now, capture_id)
        return False
    waiting.attempts += 1
    session.flush()
    return True


def work_off(session: Session, now: datetime, capture_id: int) -> None:
    """Store the events of a document that waits, in this one transaction."""
    found = _waiting(session, capture_id)
    if found is None:
        return
    events = _sort(session, found)
    is_kept = not events.errors or found.on_error == OnError.PROCEED
    if is_kept:
        store(session, now, found.site_id, events.fresh, capture_id=found.id)
        found.stored, found.repeated = len(events.fresh), events.repeated
    _end(session, now, found, CaptureState.DONE if is_kept else CaptureState.FAILED, events.errors)


def give_up(session: Session, now: datetime, capture_id: int) -> None:
    """End a document that cannot be worked off for a reason that is ours; it may be sent again."""
    found = _waiting(session, capture_id)
    if found is not None:
        told = _error(None, None, "internal-error", "It could not be worked off; it may be sent again.")
        _end(session, now, found, CaptureState.FAILED, [told])


def _waiting(session: Session, capture_id: int) -> EpcisCapture | None:
    found = session.get(EpcisCapture, capture_id, with_for_update=True, populate_existing=True)
    return found if found is not None and found.state == CaptureState.WAITING else None


def _end(
    session: Session, now: datetime, found: EpcisCapture, state: CaptureState, errors: list[dict[str, Any]]
) -> None:
    found.state, found.ended_at, found.errors, found.body = state, now, errors[:MOST_ERRORS], b""
    session.flush()
    data = {"id": found.id, "stored": found.stored, "repeated": found.repeated, "errors": len(errors)}
    record(session, found.site_id, Event("epcis.captured", now, actor_id=found.asked_by, data=data))


def _sort(session: Session, found: EpcisCapture) -> _Sorted:
    result = _Sorted()
    good: list[tuple[int, Known]] = []
    try:
        events = read_document(found.body)
    except Malformed as error:  # it was read once: the rules are others since
        result.errors.append(_error(None, None, error.code, error.detail, error.faults))
        return result
    for place, event in enumerate(events):
        if faults := faults_of(event):
            uid = event.get("eventID") if isinstance(event, dict) else None
            detail = "The event does not follow EPCIS 2.0."
            result.errors.append(_error(place, uid, "epcis-event", detail, faults))
        else:
            good.append((place, known_by(event)))
    there = queries.known(session, found.site_id, {one.uid for _, one in good})
    for place, one in good:
        before = there.get(one.name)
        if before is None:
            there[one.name] = one.digest
            result.fresh.append(one)
        elif before == one.digest:
            result.repeated += 1
        else:
            detail = "Another event has this id. Take it back with an errorDeclaration, then send a new one."
            result.errors.append(_error(place, one.uid, "event-id-taken", detail))
    return result


def _error(
    place: int | None, uid: Any, code: str, detail: str, faults: list[Fault] | tuple[Fault, ...] = ()
) -> dict[str, Any]:
    return {
        "event": place,
        "event_id": uid if isinstance(uid, str) else None,
        "code": code,
        "detail": detail,
        "faults": [{"field": one.field, "detail": one.detail, "mend": one.mend} for one in faults],
    }
