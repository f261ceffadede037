"""Put checked EPCIS events on record, with what they are found by."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Table, insert
from sqlalchemy.orm import Session

from rimekeep.platform.database import bulk_insert
from rimekeep.tracing.epcis.core import forms, keys, names
from rimekeep.tracing.epcis.core.checking import standard_part
from rimekeep.tracing.epcis.core.records import Event
from rimekeep.tracing.epcis.tables import EpcisEvent, EpcisKey

_EVENTS: Table = EpcisEvent.__table__  # type: ignore[attr-defined]
_KEYS: Table = EpcisKey.__table__  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class Known:
    """An event as it is known by: its id, when it was declared an error (empty: it was not), and a digest."""

    event: Event
    uid: str
    declared: str
    digest: str

    @property
    def name(self) -> tuple[str, str]:
        """Return what no other event of the site shares."""
        return self.uid, self.declared


def known_by(event: Event) -> Known:
    """Return a checked event with its id; one that came without gets one that follows from what it says."""
    digest = keys.digest(event)
    uid = event.get("eventID")
    if uid is None:
        uid = keys.id_from(digest)
        event = {**event, "eventID": uid}
    declaration = event.get("errorDeclaration")
    declared = "" if declaration is None else forms.instant(declaration["declarationTime"]).isoformat()
    return Known(event, uid, declared, digest)


def store(
    session: Session,
    now: datetime,
    site_id: int,
    told: Sequence[Known],
    *,
    capture_id: int | None = None,
    seqs: Sequence[int] | None = None,
) -> None:
    """Add events none of which is there yet; ``seqs`` are the numbers in the ledger of the site's own."""
    if not told:
        return
    rows = [
        {
            **_columns(one.event),
            "site_id": site_id,
            "event_uid": one.uid,
            "declared": one.declared,
            "record_at": now,
            "capture_id": capture_id,
            "ledger_seq": None if seqs is None else seqs[place],
            "digest": one.digest,
        }
        for place, one in enumerate(told)
    ]
    ids = session.scalars(insert(_EVENTS).returning(_EVENTS.c.id, sort_by_parameter_order=True), rows).all()
    found = [
        {"site_id": site_id, "value": value, "role": role, "event_id": event_id}
        for event_id, one in zip(ids, told, strict=True)
        for role, value in dict.fromkeys(keys.keys_of(one.event))
    ]
    bulk_insert(session, _KEYS, found)


def _columns(event: Event) -> dict[str, Any]:
    read = standard_part(event)
    return {
        "event_type": event["type"],
        "action": read.get("action"),
        "biz_step": _word(read.get("bizStep")),
        "disposition": _word(read.get("disposition")),
        "read_point": _place(read.get("readPoint")),
        "biz_location": _place(read.get("bizLocation")),
        "event_at": forms.instant(event["eventTime"]),
        "body": json.dumps(event, ensure_ascii=False, separators=(",", ":")),
    }


def _word(term: Any) -> str | None:
    return keys.word(term) if isinstance(term, str) else None


def _place(place: Any) -> str | None:
    return names.canonical(place["id"]) if isinstance(place, dict) and "id" in place else None
