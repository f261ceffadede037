"""
The event ledger: an append-only, hash-chained record of everything that happened at a site.

Use cases call :func:`record` inside their own transaction. The rows get their sequence number and their link
to the one before when that transaction commits (:func:`seal`), under a lock on the site's head row, so the
chain is in commit order on either database and the lock is held for the commit only.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import BigInteger, Index, Table, bindparam, insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import UtcDateTime, document, instant, ref
from rimekeep.platform.straight import Prepared, ask, ask_all

GENESIS = "0" * 64


class SiteHead(SQLModel, table=True):
    """Where a site's ledger and outbox stand; its row lock orders commits."""

    __tablename__ = "site_head"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    event_seq: int = Field(default=0, sa_type=BigInteger)
    event_hash: str = GENESIS
    outbox_seq: int = Field(default=0, sa_type=BigInteger)


class LedgerEvent(SQLModel, table=True):
    """One fact of the past. Never changed, never removed."""

    __tablename__ = "ledger_event"
    __table_args__ = (
        Index("ix_ledger_event__lot", "site_id", "lot_id", "seq"),
        Index("ix_ledger_event__unit", "site_id", "unit_id", "seq"),
    )
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    seq: int = Field(primary_key=True, sa_type=BigInteger)
    event_id: str = Field(unique=True)
    kind: str
    at: datetime = instant()
    actor_id: int | None = ref("principal.id", nullable=True)
    lot_id: int | None = Field(default=None, sa_type=BigInteger)
    unit_id: int | None = Field(default=None, sa_type=BigInteger)
    cases: int | None = None
    reason: str | None = None
    data: dict[str, Any] = document()
    hash: str


class OutboxMessage(SQLModel, table=True):
    """Something others must know of, written with the fact itself and delivered afterwards."""

    __tablename__ = "outbox_message"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    seq: int = Field(primary_key=True, sa_type=BigInteger)
    message_id: str = Field(unique=True)
    kind: str
    at: datetime = Field(sa_type=UtcDateTime)
    data: dict[str, Any] = document()


_HEADS: Table = SiteHead.__table__  # type: ignore[attr-defined]
_EVENTS: Table = LedgerEvent.__table__  # type: ignore[attr-defined]
_MESSAGES: Table = OutboxMessage.__table__  # type: ignore[attr-defined]
_HEAD = Prepared(
    select(_HEADS.c.event_seq, _HEADS.c.event_hash, _HEADS.c.outbox_seq)
    .where(_HEADS.c.site_id == bindparam("site"))
    .with_for_update()
)
_ADD_EVENT = Prepared(insert(_EVENTS))
_ADD_MESSAGE = Prepared(insert(_MESSAGES))
_MOVE_HEAD = Prepared(
    update(_HEADS)
    .where(_HEADS.c.site_id == bindparam("site"))
    .values(
        event_seq=bindparam("event_seq"),
        event_hash=bindparam("event_hash"),
        outbox_seq=bindparam("outbox_seq"),
    )
)


@dataclass(frozen=True, slots=True)
class Event:
    """A fact to be recorded. ``data`` must be plain JSON."""

    kind: str
    at: datetime
    actor_id: int | None = None
    lot_id: int | None = None
    unit_id: int | None = None
    cases: int | None = None
    reason: str | None = None
    data: dict[str, Any] = field(default_factory=dict)
    event_id: str = field(default_factory=lambda: str(uuid4()))


@dataclass(frozen=True, slots=True)
class Notice:
    """A message for the outbox. ``data`` must be plain JSON."""

    kind: str
    at: datetime
    data: dict[str, Any]
    message_id: str = field(default_factory=lambda: f"msg_{uuid4().hex}")


def record(session: Session, site_id: int, event: Event) -> None:
    """Put ``event`` into the ledger when this transaction commits."""
    session.info.setdefault("ledger", defaultdict(list))[site_id].append(event)


def announce(session: Session, site_id: int, notice: Notice) -> None:
    """Put ``notice`` into the outbox when this transaction commits."""
    session.info.setdefault("outbox", defaultdict(list))[site_id].append(notice)


def forget(session: Session) -> None:
    """Drop what a rolled-back transaction meant to write."""
    session.info.pop("ledger", None)
    session.info.pop("outbox", None)


def chain_hash(previous: str, site_id: int, seq: int, event: dict[str, Any]) -> str:
    """Return the link of one event: SHA-256 over the previous link and the event in canonical JSON."""
    canonical = json.dumps(
        [previous, site_id, seq, event], sort_keys=True, separators=(",", ":"), ensure_ascii=False
    )
    return hashlib.sha256(canonical.encode()).hexdigest()


def _content(event: Event | LedgerEvent) -> dict[str, Any]:
    return {
        "event_id": event.event_id,
        "kind": event.kind,
        "at_us": round(event.at.timestamp() * 1_000_000),
        "actor_id": event.actor_id,
        "lot_id": event.lot_id,
        "unit_id": event.unit_id,
        "cases": event.cases,
        "reason": event.reason,
        "data": event.data,
    }


def seal(session: Session) -> None:
    """Write what :func:`record` and :func:`announce` gathered. Called by the one commit, right before it."""
    ledger: dict[int, list[Event]] = session.info.pop("ledger", {})
    outbox: dict[int, list[Notice]] = session.info.pop("outbox", {})
    for site_id in sorted(ledger.keys() | outbox.keys()):
        ((seq, link, sent),) = ask(session, _HEAD, {"site": site_id})
        writes: list[tuple[Prepared, dict[str, Any]]] = []
        for event in ledger.get(site_id, ()):
            seq += 1
            content = _content(event)
            link = chain_hash(link, site_id, seq, content)
            del content["at_us"]
            writes.append(
                (_ADD_EVENT, {**content, "site_id": site_id, "seq": seq, "at": event.at, "hash": link})
            )
        for notice in outbox.get(site_id, ()):
            sent += 1
            message = {
                "message_id": notice.message_id,
                "kind": notice.kind,
                "at": notice.at,
                "data": notice.data,
            }
            writes.append((_ADD_MESSAGE, {**message, "site_id": site_id, "seq": sent}))
        head = {"site": site_id, "event_seq": seq, "event_hash": link, "outbox_seq": sent}
        ask_all(session, [*writes, (_MOVE_HEAD, head)])


def open_site(session: Session, site_id: int) -> None:
    """Start the ledger of a new site."""
    session.execute(insert(SiteHead).values(site_id=site_id, event_seq=0, event_hash=GENESIS, outbox_seq=0))


def broken_links(session: Session, site_id: int) -> Iterator[str]:
    """
    Walk a site's ledger and yield every place where it does not hold together.

    An edited row breaks its own link, a removed one leaves a gap in the numbers, a shortened ledger
    disagrees with the head.
    """
    link, expected = GENESIS, 0
    rows = session.scalars(
        select(LedgerEvent)
        .where(LedgerEvent.site_id == site_id)  # type: ignore[arg-type]
        .order_by(LedgerEvent.seq)  # type: ignore[arg-type]
        .execution_options(yield_per=1000)
    )
    for row in rows:
        expected += 1
        if row.seq != expected:
            yield f"site {site_id}: event {expected} is missing before {row.seq}"
            expected = row.seq
        elif chain_hash(link, site_id, row.seq, _content(row)) != row.hash:
            yield f"site {site_id}: event {row.seq} ({row.kind}) does not match its hash"
        link = row.hash
    head = session.get(SiteHead, site_id)
    if head is None:
        yield f"site {site_id}: the ledger has no head"
    elif (head.event_seq, head.event_hash) != (expected, link):
        yield f"site {site_id}: the head says {head.event_seq} events, the ledger ends at {expected}"
