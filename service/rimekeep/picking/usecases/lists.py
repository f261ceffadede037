"""
Hand pick lists out to devices.

A list is leased: a device that stays silent loses it, and whoever asks next gets it first.
"""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import (
    or_,
    update,
)
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import principal, site_of
from rimekeep.errors import Conflict, refused
from rimekeep.picking import queries
from rimekeep.picking.core.records import ListTask
from rimekeep.picking.core.states import ListState, PickState
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say


def take_list(
    session: Session, now: datetime, caller: Caller, *, list_id: int, lease_s: int, is_late: bool = False
) -> ListTask:
    """
    Give the device one list by its number: its own, one nobody holds, or one a silent device lost.

    ``is_late`` tells that it was said some time ago: then a list the lead has taken from this device since
    stays taken from it.

    Raises
    ------
    Conflict
        It is done, or with another device.
    """
    queries.pick_list(session, caller.site_id, list_id)
    table = SQLModel.metadata.tables["pick_list"]
    is_taken = table.c.state == ListState.TAKEN
    change = (
        update(table)
        .where(table.c.id == list_id)
        .where(
            or_(
                table.c.state == ListState.READY,
                is_taken & (table.c.device_id == caller.id),
                is_taken & (table.c.leased_until < now),
            )
        )
        .values(state=ListState.TAKEN, device_id=caller.id, leased_until=now + timedelta(seconds=lease_s))
        .returning(table.c.id)
    )
    if is_late:
        change = change.where(table.c.taken_over_from_id.is_distinct_from(caller.id))
    taken = session.execute(change).scalar_one_or_none()
    task = queries.list_task(session, caller.site_id, list_id)
    if taken is None:
        raise not_yours(session, task, caller)
    if task.taken_over_from_id == caller.id:
        session.execute(
            update(table).where(table.c.id == list_id).values(taken_over_from_id=None, taken_over_at=None)
        )
    return task


def take_over(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    list_id: int,
    device_id: int | None,
    reason: str,
    lease_s: int,
) -> ListTask:
    """
    Take a list from the device that holds it: for another one, or for whoever asks next.

    What was picked stays picked. Whatever the device before still sends of the list counts no more, and it
    is told so.

    Raises
    ------
    Conflict
        The list is done, nobody holds it and none is named, or the one named has it already.
    Refused
        Who is named is no picker.
    """
    row = queries.pick_list(session, caller.site_id, list_id)
    session.refresh(row, with_for_update=True)
    task = queries.list_task(session, caller.site_id, list_id)
    if row.state == ListState.DONE or (device_id is None and row.state != ListState.TAKEN):
        raise not_yours(session, task, caller)
    if device_id is not None:
        _require_picker(session, caller.site_id, device_id)
        if row.state == ListState.TAKEN and row.device_id == device_id:
            raise Conflict(
                "list-has-it",
                say(
                    "Device {device_id} holds pick list {list_id} already.",
                    device_id=device_id,
                    list_id=list_id,
                ),
                data={"list_id": list_id},
            )
    before = row.device_id if row.state == ListState.TAKEN else row.taken_over_from_id
    row.taken_over_from_id, row.taken_over_at = (None, None) if before == device_id else (before, now)
    row.device_id = device_id
    row.state = ListState.READY if device_id is None else ListState.TAKEN
    row.leased_until = None if device_id is None else now + timedelta(seconds=lease_s)
    session.flush()
    data = {
        "list_id": list_id,
        "from_device_id": before,
        "to_device_id": device_id,
        "picked": sum(pick.picked_cases for pick in task.picks),
        "open_stops": [pick.stop for pick in task.picks if pick.state == PickState.OPEN],
    }
    event = Event("pick_list.taken_over", now, actor_id=caller.id, reason=reason, data=data)
    record(session, caller.site_id, event)
    return queries.list_task(session, caller.site_id, list_id)


def _require_picker(session: Session, site_id: int, device_id: int) -> None:
    holder = principal(session, site_id, device_id)
    if not holder.is_active or not {Role.PICKER, Role.ADMIN} & {Role(role) for role in holder.roles}:
        raise refused(
            "not-a-picker",
            "device_id",
            say("{name} may not pick.", name=holder.name),
            say("Name a device with the role picker, or none."),
            {"device_id": device_id},
        )


def heartbeat(session: Session, now: datetime, caller: Caller, *, list_id: int, lease_s: int) -> ListTask:
    """Tell that the device is still at work on its list."""
    queries.pick_list(session, caller.site_id, list_id)
    renew_lease(session, now, caller, list_id=list_id, lease_s=lease_s)
    return queries.list_task(session, caller.site_id, list_id)


def renew_lease(session: Session, now: datetime, caller: Caller, *, list_id: int, lease_s: int) -> None:
    """Extend the lease; raises Conflict where the list is not the device's any more."""
    table = SQLModel.metadata.tables["pick_list"]
    renewed = session.execute(
        update(table)
        .where(table.c.id == list_id, table.c.device_id == caller.id, table.c.state == ListState.TAKEN)
        .values(leased_until=now + timedelta(seconds=lease_s))
        .returning(table.c.id)
    ).scalar_one_or_none()
    if renewed is None:
        raise not_yours(session, queries.list_task(session, caller.site_id, list_id), caller)


def hand_back(session: Session, now: datetime, caller: Caller, *, list_id: int) -> ListTask:
    """Give a list back; what was picked of it stays picked."""
    queries.pick_list(session, caller.site_id, list_id)
    table = SQLModel.metadata.tables["pick_list"]
    returned = session.execute(
        update(table)
        .where(table.c.id == list_id, table.c.device_id == caller.id, table.c.state == ListState.TAKEN)
        .values(state=ListState.READY, device_id=None, leased_until=None)
        .returning(table.c.id)
    ).scalar_one_or_none()
    task = queries.list_task(session, caller.site_id, list_id)
    if returned is None:
        raise not_yours(session, task, caller)
    return task


def not_yours(session: Session, task: ListTask, caller: Caller) -> Conflict:
    """Return the error for a list the device does not hold, with who does; times are the site's own."""
    zone = ZoneInfo(site_of(session, caller.site_id).time_zone)
    data: dict[str, object] = {"list_id": task.id, "state": task.state}
    if task.taken_over_from_id == caller.id and task.taken_over_at is not None:
        return Conflict(
            "list-taken-over",
            say(
                "The lead took pick list {id} over at {taken_over_at:%H:%M}. Put down what you hold of "
                "it, and take the next list.",
                id=task.id,
                taken_over_at=task.taken_over_at.astimezone(zone),
            ),
            data=data,
        )
    if task.state == ListState.DONE:
        return Conflict("list-done", say("Pick list {id} is done. Take the next one.", id=task.id), data=data)
    if task.state == ListState.READY:
        return Conflict(
            "list-not-taken",
            say("Nobody holds pick list {id} now. Take a list first.", id=task.id),
            data=data,
        )
    until = (
        ""
        if task.leased_until is None
        else say(" until {leased_until:%H:%M:%S}", leased_until=task.leased_until.astimezone(zone))
    )
    return Conflict(
        "list-leased",
        say("Pick list {id} is with another device{until}. Take the next list.", id=task.id, until=until),
        data={**data, "device_id": task.device_id},
    )


def return_leases(session: Session, now: datetime) -> int:
    """Put the lists of silent devices back, at every site; return how many."""
    table = SQLModel.metadata.tables["pick_list"]
    rows = session.execute(
        update(table)
        .where(table.c.state == ListState.TAKEN, table.c.leased_until < now)
        .values(state=ListState.READY, device_id=None, leased_until=None)
        .returning(table.c.id)
    )
    return len(rows.all())
