"""
The audit trail: who changed what, when, from where, from which value to which, and why.

No use case writes it. Whatever a transaction changes in a mapped row is gathered as it is flushed and written
with the commit, so the trail holds exactly what was done; the tables left out are named in :data:`ELSEWHERE`,
with where their changes are told instead. The database refuses to change or remove an entry.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import Enum
from typing import Any

from sqlalchemy import Column, Index, Table, func, insert, inspect, select
from sqlalchemy.orm import Mapper, Session, UOWTransaction
from sqlmodel import SQLModel

from rimekeep.platform.columns import UtcDateTime, document, instant, key, ref

ADDED, CHANGED, REMOVED = "added", "changed", "removed"
WITHHELD = "(withheld)"
# Rows whose sites are read in one statement.
AT_ONCE = 1000
_SECRET = ("secret", "password", "token")

# What happens to goods, orders and trips stands in the event ledger, with who did it and why: the hot paths
# are told of once, not twice. What air and life came to is reckoned, not decided.
_LEDGER = (
    "lot", "unit", "unit_content", "stay", "unit_change", "sales_order", "order_line", "last_delivered",
    "demand_forecast", "forecast_version", "allocation", "short_line", "pick_list", "planned_unit", "pick",
    "waste_told", "stock_count", "count_line", "replenishment", "load_plan", "planning_job", "trip",
    "drop_delivery", "deck_place", "load_temperature", "load_deviation", "drop_refusal", "drop_empties",
    "empties_correction", "excursion", "trip_watch", "excursion_content", "excursion_hold",
    "excursion_decision", "alert",
)  # fmt: skip
_RECKONED = (
    "reading", "reading_hour", "reading_books", "air_change", "life", "life_state", "life_group", "life_rise",
    "exposure_room", "exposure_day", "exposure_block", "sign_in_pace",
    "sign_on_used",
)  # fmt: skip
# Records in themselves, of which rows are only added.
_RECORDS = (
    "ledger_event", "outbox_message", "site_head", "stored_answer", "audit_entry", "reading_correction",
    "quarantined_reading", "delivery_attempt", "epcis_event", "epcis_key", "epcis_capture",
    "alert_notice", "letter",
)  # fmt: skip
ELSEWHERE = frozenset((*_LEDGER, *_RECKONED, *_RECORDS))


class AuditEntry(SQLModel, table=True):
    """One change of one thing. Never changed, never removed."""

    __tablename__ = "audit_entry"
    __table_args__ = (
        Index("ix_audit_entry__object", "site_id", "object_kind", "object_id", "id"),
        Index("ix_audit_entry__actor", "site_id", "actor_id", "id"),
        Index("ix_audit_entry__at", "site_id", "at"),
    )
    id: int = key()
    site_id: int | None = ref("site.id", nullable=True)
    at: datetime = instant()
    actor_id: int | None = ref("principal.id", nullable=True)
    # "token 7", "session 12"; empty for jobs, the command line and forms.
    via: str
    address: str
    request_id: str
    action: str
    object_kind: str
    object_id: str
    before: dict[str, Any] = document()
    after: dict[str, Any] = document()
    reason: str | None = None


_ENTRIES: Table = AuditEntry.__table__  # type: ignore[attr-defined]
_ORIGIN, _GATHERED = "audit_origin", "audit_gathered"


@dataclass(frozen=True, slots=True)
class Origin:
    """From where a transaction is asked for."""

    at: datetime
    site_id: int | None = None
    actor_id: int | None = None
    via: str = ""
    address: str = ""
    request_id: str = ""
    reason: str | None = None


def comes_from(session: Session, origin: Callable[[], Origin]) -> None:
    """Say how to find out who asks for what the session does from now on; asked only if something is told."""
    session.info[_ORIGIN] = origin


def address_of(session: Session) -> str:
    """Return the address a session's request came from; empty for jobs and the command line."""
    return session.info[_ORIGIN]().address if _ORIGIN in session.info else ""


def forget(session: Session) -> None:
    """Drop what a rolled-back transaction meant to write."""
    session.info.pop(_GATHERED, None)


def gather(session: Session, _context: UOWTransaction) -> None:
    """Note what this flush has changed; the session still knows the values before."""
    origin: Origin | None = None
    changed: list[tuple[Any, Table, dict[str, Any]]] = []
    for rows, action in ((session.new, ADDED), (session.dirty, CHANGED), (session.deleted, REMOVED)):
        for row in rows:
            mapper: Mapper[Any] = inspect(row).mapper
            table = mapper.local_table
            if not isinstance(table, Table) or table.name in ELSEWHERE:
                continue
            before, after = _values(row, mapper, action)
            if not before and not after:
                continue
            if origin is None and _ORIGIN in session.info:
                origin = session.info[_ORIGIN]()
            entry = {
                "action": action,
                "object_kind": table.name,
                "object_id": " ".join(map(str, mapper.primary_key_from_instance(row))),
                "before": before,
                "after": after,
            }
            changed.append((row, table, entry))
    if not changed:
        return
    sites = _sites_of(session, [(row, table) for row, table, _ in changed])
    elsewise = None if origin is None else origin.site_id
    session.info.setdefault(_GATHERED, []).extend(
        (origin, {"site_id": elsewise if site_id is None else site_id, **entry})
        for (_, _, entry), site_id in zip(changed, sites, strict=True)
    )


def _values(row: object, mapper: Mapper[Any], action: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the values that are no more and those that are new; of a change only what differs."""
    state = inspect(row)
    assert state is not None
    before: dict[str, Any] = {}
    after: dict[str, Any] = {}
    for column in mapper.column_attrs:
        name = column.key
        if action == CHANGED:
            history = state.attrs[name].history
            if not history.has_changes():
                continue
            before[name] = _plain(name, history.deleted[0] if history.deleted else None)
            after[name] = _plain(name, history.added[0] if history.added else None)
        else:
            value = _plain(name, state.dict.get(name))
            if value is not None:
                (after if action == ADDED else before)[name] = value
    return before, after


def is_secret(column: str) -> bool:
    """Tell by a column's name whether it holds a secret, or the hash of one; the ledger's links are none."""
    is_hash = column.endswith("_hash") and column != "event_hash"
    return is_hash or any(word in column for word in _SECRET)


def host_alone(url: str) -> str:
    """Return an address without what stands before and after its host: either may hold a secret."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{re.split('[/?#]', rest, maxsplit=1)[0].rpartition('@')[2]}/{WITHHELD}"


def _plain(name: str, value: Any) -> Any:
    if value is None:
        return None
    if isinstance(value, bytes) or is_secret(name):
        return WITHHELD
    if name == "url" and "://" in str(value):
        # An entry is never removed.
        return host_alone(str(value))
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return value if isinstance(value, str | int | float | bool | list | dict) else str(value)


def _sites_of(session: Session, rows: Sequence[tuple[Any, Table]]) -> list[int | None]:
    """Return the sites rows belong to: named in them, or in a row they point to, read for all at once."""
    sites: list[int | None] = []
    pointing: list[tuple[int, Column[Any], Any]] = []
    for row, table in rows:
        site_id = row.id if table.name == "site" else getattr(row, "site_id", None)
        if site_id is None and (found := _points_to(row, table)) is not None:
            pointing.append((len(sites), *found))
        sites.append(site_id)
    known: dict[tuple[Column[Any], Any], int | None] = {}
    for column in {column for _, column, _ in pointing}:
        wanted = sorted({value for _, target, value in pointing if target is column})
        for start in range(0, len(wanted), AT_ONCE):
            asked = select(column, column.table.c.site_id).where(column.in_(wanted[start : start + AT_ONCE]))
            # By the connection: this goes on inside a flush.
            known |= {(column, value): site_id for value, site_id in session.connection().execute(asked)}
    for place, column, value in pointing:
        sites[place] = known.get((column, value))
    return sites


def _points_to(row: object, table: Table) -> tuple[Column[Any], Any] | None:
    """Return the key of a row that names its site and belongs to the same one; None if there is none."""
    for column in table.columns:
        value = getattr(row, column.name, None)
        for target in (pointer.column for pointer in column.foreign_keys):
            if value is not None and "site_id" in target.table.c:
                return target, value
    return None


def write(session: Session) -> None:
    """
    Write what was gathered. Called by the one commit, after the last flush and before the ledger is sealed.

    The reason is what the request's header says or else what the use case told the ledger.
    """
    gathered: list[tuple[Origin | None, dict[str, Any]]] = session.info.pop(_GATHERED, [])
    if not gathered:
        return
    events = [event for told in session.info.get("ledger", {}).values() for event in told]
    reasons = {event.actor_id: event.reason for event in events if event.reason}
    nobody: Origin | None = None
    rows = []
    for origin, entry in gathered:
        if origin is None:
            if nobody is None:
                actor_id, at = (events[-1].actor_id, events[-1].at) if events else (None, _clock(session))
                nobody = Origin(at, actor_id=actor_id)
            origin = nobody
        rows.append(
            {
                **entry,
                "at": origin.at,
                "actor_id": origin.actor_id,
                "via": origin.via,
                "address": origin.address,
                "request_id": origin.request_id,
                "reason": origin.reason or reasons.get(origin.actor_id),
            }
        )
    session.execute(insert(_ENTRIES), rows)


def _clock(session: Session) -> datetime:
    """Return the database's present, for a change that no request and no event tells the time of."""
    at: datetime = session.execute(select(func.current_timestamp(type_=UtcDateTime))).scalar_one()
    return at
