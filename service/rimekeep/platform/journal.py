"""
The event ledger: an append-only, hash-chained record of everything that happened at a site.

Use cases call :func:`record` inside their own transaction. The rows get their sequence number and their link
to the one before when that transaction commits (:func:`seal`), under a lock on the site's head row, so the
chain is in commit order on either database and the lock is held for the commit only.
"""

import hashlib
import json
import os
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from typing import Any
from uuid import uuid4

from sqlalchemy import BigInteger, Index, Table, bindparam, func, insert, select, text, update
from sqlalchemy.orm import Session
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import UtcDateTime, document, instant, ref
from rimekeep.platform.straight import Prepared, ask, ask_all

GENESIS = "0" * 64
# Rows in memory at a time while a chain is verified.
AT_ONCE = 2_000
# Whoever altered all of a ledger need not be told of each row.
MOST_TOLD = 20
# Made once: `json.dumps` with settings of its own makes one for every event.
_canonical = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode
_CONTENT = ("event_id", "kind", "actor_id", "lot_id", "unit_id", "cases", "reason", "data")


class SiteHead(SQLModel, table=True):
    """Where a site's ledger and outbox stand; its row lock orders commits."""

    __tablename__ = "site_head"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    event_seq: int = Field(default=0, sa_type=BigInteger)
    event_hash: str = GENESIS
    outbox_seq: int = Field(default=0, sa_type=BigInteger)


def _of(what: str) -> Index:
    """Return the index of the events of a lot or a unit; the many that speak of none are left out."""
    told = text(f"{what}_id IS NOT NULL")
    return Index(
        f"ix_ledger_event__{what}",
        "site_id",
        f"{what}_id",
        "seq",
        sqlite_where=told,
        postgresql_where=told,
    )


class LedgerEvent(SQLModel, table=True):
    """One fact of the past. Never changed, never removed."""

    __tablename__ = "ledger_event"
    __table_args__ = (_of("lot"), _of("unit"))
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
    event_id: str = ""

    def __post_init__(self) -> None:
        """Name the event, unless it has a name."""
        if not self.event_id:
            object.__setattr__(self, "event_id", ordered_uuid(self.at))


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
    return hashlib.sha256(_canonical([previous, site_id, seq, event]).encode()).hexdigest()


def ordered_uuid(at: datetime) -> str:
    """
    Return a new UUID of version 7 (RFC 9562, section 5.7): the millisecond ``at`` falls in, then chance.

    What happens next stands next to it in an index. One by chance alone would have each event write to a page
    of its own of an index that has long outgrown the memory.
    """
    ms, chance = at_us(at) // 1000, os.urandom(10).hex()
    variant = "89ab"[int(chance[3], 16) & 3]
    return f"{ms >> 16:08x}-{ms & 0xFFFF:04x}-7{chance[:3]}-{variant}{chance[4:7]}-{chance[7:19]}"


def links(link: str, site_id: int, seq: int, events: Iterable[Event]) -> Iterator[dict[str, Any]]:
    """Yield the rows of events that follow number ``seq`` and its ``link``, chained."""
    for event in events:
        seq += 1
        content = {
            "event_id": event.event_id,
            "kind": event.kind,
            "at_us": at_us(event.at),
            "actor_id": event.actor_id,
            "lot_id": event.lot_id,
            "unit_id": event.unit_id,
            "cases": event.cases,
            "reason": event.reason,
            "data": event.data,
        }
        link = chain_hash(link, site_id, seq, content)
        del content["at_us"]
        yield {**content, "site_id": site_id, "seq": seq, "at": event.at, "hash": link}


def at_us(at: datetime) -> int:
    """Return an instant as the chain has it: whole microseconds since 1970."""
    return round(at.timestamp() * 1_000_000)


def seal(session: Session) -> None:
    """Write what :func:`record` and :func:`announce` gathered. Called by the one commit, right before it."""
    ledger: dict[int, list[Event]] = session.info.pop("ledger", {})
    outbox: dict[int, list[Notice]] = session.info.pop("outbox", {})
    for site_id in sorted(ledger.keys() | outbox.keys()):
        ((seq, link, sent),) = ask(session, _HEAD, {"site": site_id})
        writes: list[tuple[Prepared, dict[str, Any]]] = []
        for row in links(link, site_id, seq, ledger.get(site_id, ())):
            writes.append((_ADD_EVENT, row))
            seq, link = row["seq"], row["hash"]
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
    Walk a site's ledger and yield the places where it does not hold together, the first one first.

    An edited row breaks its own link, or the next one's if its link was reckoned anew; a removed one leaves a
    gap in the numbers; a shortened ledger disagrees with the head. Memory does not grow with the ledger.
    """
    told = _chain(session, site_id)
    yield from islice(told, MOST_TOLD)
    more = sum(1 for _ in told)
    if more:
        yield f"site {site_id}: {more} more places where the ledger does not hold together"
    sent = session.execute(
        select(func.count(), func.max(_MESSAGES.c.seq)).where(_MESSAGES.c.site_id == site_id)
    ).one()
    head = session.get(SiteHead, site_id, populate_existing=True)
    if head is not None and (sent[0], sent[1] or 0) != (head.outbox_seq, head.outbox_seq):
        yield (
            f"site {site_id}: the head says {head.outbox_seq} messages in the outbox, there are {sent[0]} "
            f"up to number {sent[1] or 0}"
        )


def _chain(session: Session, site_id: int) -> Iterator[str]:
    link, last = GENESIS, 0
    rows = session.execute(
        select(*(_EVENTS.c[name] for name in ("seq", "at", "hash", *_CONTENT)))
        .where(_EVENTS.c.site_id == site_id)
        .order_by(_EVENTS.c.seq)
        .execution_options(yield_per=AT_ONCE)
    )
    was_bad = False
    for seq, at, kept, *values in rows:
        event = {**dict(zip(_CONTENT, values, strict=True)), "at_us": at_us(at)}
        is_next = seq == last + 1
        if not is_next:
            gone = f"event {last + 1} is" if seq == last + 2 else f"events {last + 1} to {seq - 1} are"
            yield f"site {site_id}: {gone} missing before {seq}"
        is_bad = is_next and chain_hash(link, site_id, seq, event) != kept
        if is_bad:
            # Where the one before was found good, its link may have been made anew after an edit.
            which = "it was" if was_bad or last == 0 else f"it or event {last} was"
            yield f"site {site_id}: event {seq} ({event['kind']}) does not match its hash: {which} altered"
        link, last, was_bad = kept, seq, is_bad
    head = session.get(SiteHead, site_id, populate_existing=True)
    if head is None:
        yield f"site {site_id}: the ledger has no head"
    elif head.event_seq != last:
        yield f"site {site_id}: the head says {head.event_seq} events, the ledger ends at {last}"
    elif head.event_hash != link:
        yield f"site {site_id}: the head does not match the hash of event {last}, the last one"
