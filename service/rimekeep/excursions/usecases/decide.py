"""QA decides about a lot an excursion touched, and signs for it."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.usecases import confirm_identity
from rimekeep.errors import Conflict, Refused, invalid, refused
from rimekeep.excursions import queries
from rimekeep.excursions.core.decisions import may_go
from rimekeep.excursions.core.states import Word
from rimekeep.excursions.queries import LotTouched
from rimekeep.excursions.tables import Excursion, ExcursionContent, ExcursionDecision
from rimekeep.excursions.usecases.tell import facts
from rimekeep.platform.database import parts, take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock import usecases as stock
from rimekeep.stock.tables import Unit, UnitContent
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Decided:
    """What became of a decision: how many units it moved, and those it could not."""

    decision: ExcursionDecision
    left_on_hold: tuple[str, ...]


def decide(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    excursion_id: int,
    lot_id: int,
    decision: str,
    reason: str,
    signature_token: str,
    best_before_on: date | None = None,
) -> Decided:
    """
    Decide about one lot: release, reject or shorten its date; the newest word stands, all stay on record.

    Released, or with an earlier date, go the units that this excursion stopped and nothing else stops: a unit
    somebody held for another reason, or that waits for another excursion or another lot on it, stays on hold.
    Rejected are the lot's units it touched, except where another lot stands on them too: those are left on
    hold to be sorted.

    The signer shows who they are once more; what was signed (the decision and the excursion's facts, in
    canonical JSON) is stored with its SHA-256.
    """
    # A check that runs meanwhile could stop units this is about to let go.
    take_turns(session, f"excursions of site {caller.site_id}")
    row = queries.excursion(session, caller.site_id, excursion_id, is_locked=True)
    word = _word(decision, best_before_on)
    if row.merged_into_id is not None:
        raise Refused(
            "excursion-merged",
            say(
                "It is one failure with excursion {merged_into_id}: decide there.",
                merged_into_id=row.merged_into_id,
            ),
            data={"merged_into_id": row.merged_into_id},
        )
    lot = next((one for one in queries.record_of(session, row).lots if one.lot_id == lot_id), None)
    if lot is None:
        raise invalid(
            "lot_id", say("This excursion did not touch that lot."), say("Take one of the excursion's lots.")
        )
    _check_standing(lot, word)
    signed_at = confirm_identity(session, now, caller, signature_token)
    added = ExcursionDecision(
        site_id=row.site_id,
        excursion_id=row.id,
        lot_id=lot_id,
        decision=word,
        best_before_on=best_before_on,
        best_before_was_on=lot.best_before_on if word == Word.SHORTEN else None,
        reason=reason,
        units=0,
        decided_at=signed_at,
        decided_by=caller.id,
        signed=canonical(_signed(session, row, lot, caller, word, best_before_on, reason, signed_at)),
        sha256="",
    )
    added.sha256 = hashlib.sha256(added.signed.encode()).hexdigest()
    session.add(added)
    session.flush()
    if word == Word.SHORTEN and best_before_on is not None:
        _shorten(session, now, caller, lot_id, best_before_on, reason)
    moved = _reject(session, now, caller, row, lot_id, reason) if word == Word.REJECT else []
    stopped = [
        unit
        for unit in queries.stopped_units(session, row.site_id, list(queries.held_units(session, row.id)))
        if lot_id in unit.lot_ids
    ]
    free = may_go(stopped, queries.words_of(session, stopped))
    released = stock.release_units(session, now, caller, unit_ids=free, reason=reason) if free else []
    added.units = len(moved) + len(released)
    session.flush()
    left = {unit.unit_id for unit in stopped} - free
    data = {
        "id": row.id,
        "lot": lot.lot_code,
        "decision": str(word),
        "best_before_on": None if best_before_on is None else best_before_on.isoformat(),
        "units": added.units,
        "sha256": added.sha256,
    }
    event = Event("excursion.decided", now, actor_id=caller.id, lot_id=lot_id, reason=reason, data=data)
    record(session, row.site_id, event)
    return Decided(added, _ssccs(session, left))


def canonical(document: Mapping[str, Any]) -> str:
    """Return plain JSON in one form only: keys sorted, nothing between them, as UTF-8."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _word(decision: str, best_before_on: date | None) -> Word:
    if decision not in set(Word):
        raise invalid(
            "decision",
            say("{decision!r} is not known.", decision=decision),
            say("Give one of {choices}.", choices=", ".join(Word)),
        )
    if (decision == Word.SHORTEN) != (best_before_on is not None):
        raise invalid(
            "best_before_on",
            say("A new date belongs to 'shorten date', and to nothing else."),
            say("Give the earlier day with 'shorten date'; leave it out otherwise."),
        )
    return Word(decision)


def _check_standing(lot: LotTouched, word: Word) -> None:
    standing = lot.standing
    if standing is None:
        return
    if standing.decision == Word.REJECT:
        raise refused(
            "rejected-is-final",
            "decision",
            say(
                "Lot {lot_code} was rejected by {decided_by_name}, which is final.",
                lot_code=lot.lot_code,
                decided_by_name=standing.decided_by_name,
            ),
            say("Nothing more can be decided about it here."),
        )
    if standing.decision == word == Word.RELEASE and not lot.still_held_units:
        raise Conflict(
            "decided",
            say(
                "Lot {lot_code} was released by {decided_by_name} already.",
                lot_code=lot.lot_code,
                decided_by_name=standing.decided_by_name,
            ),
            data={"decision_id": standing.id},
        )


def _signed(
    session: Session,
    row: Excursion,
    lot: LotTouched,
    caller: Caller,
    word: Word,
    best_before_on: date | None,
    reason: str,
    signed_at: datetime,
) -> dict[str, Any]:
    return {
        "decision": {
            "word": str(word),
            "lot_id": lot.lot_id,
            "lot": lot.lot_code,
            "sku": lot.sku,
            "best_before_on": None if best_before_on is None else best_before_on.isoformat(),
            "best_before_was_on": lot.best_before_on.isoformat(),
            "reason": reason,
        },
        "excursion": {**facts(session, row), "site_id": row.site_id, "rule_id": row.rule_id},
        "cost": {
            "units": lot.units,
            "cases": lot.cases,
            "held_units": lot.held_units,
            "worst_life_lost_days": lot.worst_life_lost_days,
        },
        "signed_by": {"id": caller.id, "name": caller.name},
        "signed_at": signed_at.isoformat(),
    }


def _shorten(
    session: Session, now: datetime, caller: Caller, lot_id: int, best_before_on: date, reason: str
) -> None:
    stock.shorten_best_before(
        session, now, caller, lot_id=lot_id, best_before_on=best_before_on, reason=reason
    )
    # From this moment on picking goes by the new date.
    shelflife.refresh_life(session, now, caller.site_id)


def _reject(
    session: Session, now: datetime, caller: Caller, row: Excursion, lot_id: int, reason: str
) -> list[int]:
    touched = set(
        session.scalars(
            select(col(UnitContent.unit_id))
            .join(ExcursionContent, col(ExcursionContent.content_id) == col(UnitContent.id))
            .where(col(ExcursionContent.excursion_id) == row.id, col(UnitContent.lot_id) == lot_id)
        )
    )
    for some in parts(touched):
        touched -= set(
            session.scalars(
                select(col(UnitContent.unit_id)).where(
                    col(UnitContent.unit_id).in_(some),
                    col(UnitContent.lot_id) != lot_id,
                    col(UnitContent.cases) > 0,
                )
            )
        )
    return stock.reject_units(session, now, caller, unit_ids=touched, reason=reason)


def _ssccs(session: Session, unit_ids: set[int]) -> tuple[str, ...]:
    found: list[str] = []
    for some in parts(unit_ids):
        found += session.scalars(select(col(Unit.sscc)).where(col(Unit.id).in_(some)))
    return tuple(sorted(found))
