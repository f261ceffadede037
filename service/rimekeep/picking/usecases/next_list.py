"""
The next pick list: what every handheld asks for, and a whole shift at once.

Lists nobody has are looked for past those that others are taking, so nobody waits for anybody.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import (
    ARRAY,
    BigInteger,
    BindParameter,
    ColumnElement,
    Integer,
    Table,
    Update,
    bindparam,
    case,
    column,
    func,
    literal_column,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session, aliased
from sqlalchemy.sql.dml import ReturningUpdate
from sqlalchemy.types import TypeEngine
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.picking import queries
from rimekeep.picking.core.records import ListTask
from rimekeep.picking.core.states import ListState
from rimekeep.picking.tables import PickList
from rimekeep.platform.columns import UtcDateTime
from rimekeep.platform.straight import Among, Prepared, ask

# Another device may take an expired list between two looks; then the next one is due.
LOOKS = 5
_LISTS: Table = PickList.__table__  # type: ignore[attr-defined]


# Not as values that are bound: what the database prepares for any state cannot use the index of one, and
# what it prepares for any number of rows it takes for dear and plans anew each time.
_ONE: ColumnElement[int] = literal_column("1")
_READY: ColumnElement[str] = literal_column(f"'{ListState.READY}'")
_TAKEN: ColumnElement[str] = literal_column(f"'{ListState.TAKEN}'")


def _whose_again(device: ColumnElement[int]) -> dict[str, ColumnElement[Any]]:
    """Return what becomes of a take-over: given to the device it was taken from, a list is its own again."""
    return {
        "taken_over_from_id": func.nullif(_LISTS.c.taken_over_from_id, device),
        "taken_over_at": case((_LISTS.c.taken_over_from_id != device, _LISTS.c.taken_over_at)),
    }


def next_list_statement() -> ReturningUpdate[int]:
    """Return the statement that leases a device its next list; three indexes of lists not done serve it."""
    own, lost, ready = aliased(PickList), aliased(PickList), aliased(PickList)
    site: BindParameter[int] = bindparam("site")
    device: BindParameter[int] = bindparam("device")
    now = bindparam("present", type_=UtcDateTime)
    candidate = func.coalesce(
        select(func.min(col(own.id)))
        .where(col(own.site_id) == site, col(own.state) == _TAKEN, col(own.device_id) == device)
        .scalar_subquery(),
        select(col(lost.id))
        .where(col(lost.site_id) == site, col(lost.state) == _TAKEN)
        .where(col(lost.leased_until) < now)
        .order_by(col(lost.leased_until), col(lost.id))
        .limit(_ONE)
        .with_for_update(skip_locked=True)
        .scalar_subquery(),
        select(col(ready.id))
        .where(col(ready.site_id) == site, col(ready.state) == _READY)
        .order_by(col(ready.id))
        .limit(_ONE)
        .with_for_update(skip_locked=True)
        .scalar_subquery(),
    )
    is_taken = _LISTS.c.state == _TAKEN
    return (
        update(_LISTS)
        .where(_LISTS.c.id == candidate)
        # Checked once more on the row itself: it may have changed hands while we waited for it.
        .where(
            or_(
                _LISTS.c.state == _READY,
                is_taken & (_LISTS.c.device_id == device),
                is_taken & (_LISTS.c.leased_until < now),
            )
        )
        .values(
            state=ListState.TAKEN,
            device_id=device,
            leased_until=bindparam("until", type_=UtcDateTime),
            **_whose_again(device),
        )
        .returning(_LISTS.c.id)
    )


# Compiled once: every handheld asks it, and building it costs more than running it.
_TAKE = Prepared(next_list_statement())


def _next_ones(*those: ColumnElement[bool], order: Sequence[ColumnElement[Any]]) -> Prepared:
    return Prepared(
        select(col(PickList.id))
        .where(col(PickList.site_id) == bindparam("site"), *those)
        .order_by(*order)
        .limit(bindparam("most", type_=Integer))
        .with_for_update(skip_locked=True)
    )


def _lease_statement() -> Update:
    columns: dict[str, TypeEngine[Any]] = {
        "ids": BigInteger(),
        "devices": BigInteger(),
        "until": _LISTS.c.leased_until.type,
    }
    given = (
        func.unnest(*(bindparam(name, type_=ARRAY(kind)) for name, kind in columns.items()))
        .table_valued(*(column(name, kind) for name, kind in columns.items()), name="given")
        .render_derived()
    )
    return (
        update(_LISTS)
        .where(_LISTS.c.id == given.c.ids)
        .values(
            state=ListState.TAKEN,
            device_id=given.c.devices,
            leased_until=given.c.until,
            **_whose_again(given.c.devices),
        )
    )


# The same in steps, for many who ask at once, on PostgreSQL.
_BUSY = Prepared(
    select(col(PickList.device_id)).where(
        col(PickList.site_id) == bindparam("site"),
        col(PickList.state) == _TAKEN,
        Among(_LISTS.c.device_id, "devices"),
    )
)
_LOST = _next_ones(
    col(PickList.state) == _TAKEN,
    col(PickList.leased_until) < bindparam("present", type_=UtcDateTime),
    order=(_LISTS.c.leased_until, _LISTS.c.id),
)
_READY_ONES = _next_ones(col(PickList.state) == _READY, order=(_LISTS.c.id,))
_LEASE = Prepared(_lease_statement())


def take_next_list(session: Session, now: datetime, caller: Caller, *, lease_s: int) -> ListTask | None:
    """
    Give the device its list: the one it has, else one a silent device lost, else the next that is ready.

    No two devices get the same: a row another transaction is taking is passed over.
    """
    facts = {
        "site": caller.site_id,
        "device": caller.id,
        "present": now,
        "until": now + timedelta(seconds=lease_s),
    }
    for _ in range(LOOKS):
        for row in ask(session, _TAKE, facts):
            return queries.list_task(session, caller.site_id, row[0])
    return None


def take_next_lists(
    session: Session, callers: Sequence[tuple[Caller, datetime]], *, lease_s: int
) -> dict[int, ListTask | None]:
    """
    Give many devices that ask at once a list each, as :func:`take_next_list` gives one; None without work.

    Left out are those that have a list already: it may be locked, and nobody is to wait for them. No device
    may be named twice. On PostgreSQL only.

    Parameters
    ----------
    callers
        Each with when it asked.
    """
    given: dict[int, ListTask | None] = {}
    for site_id in sorted({caller.site_id for caller, _ in callers}):
        asked_at = {caller.id: now for caller, now in callers if caller.site_id == site_id}
        for row in ask(session, _BUSY, {"site": site_id, "devices": list(asked_at)}):
            asked_at.pop(row[0], None)
        if asked_at:
            given |= _give(session, site_id, asked_at, lease_s)
    return given


def _give(
    session: Session, site_id: int, asked_at: Mapping[int, datetime], lease_s: int
) -> dict[int, ListTask | None]:
    # By the first who asked: what had expired then has expired for all.
    most = len(asked_at)
    facts = {"site": site_id, "present": min(asked_at.values()), "most": most}
    list_ids = [row[0] for row in ask(session, _LOST, facts)]
    if len(list_ids) < most:
        list_ids += [
            row[0] for row in ask(session, _READY_ONES, {"site": site_id, "most": most - len(list_ids)})
        ]
    devices = sorted(asked_at, key=lambda device: asked_at[device])
    device_of = dict(zip(list_ids, devices, strict=False))
    until = [asked_at[device] + timedelta(seconds=lease_s) for device in device_of.values()]
    ask(session, _LEASE, {"ids": list(device_of), "devices": list(device_of.values()), "until": until})
    tasks = queries.tasks_of(session, site_id, list(device_of))
    return {**dict.fromkeys(devices), **{device: tasks[one] for one, device in device_of.items()}}
