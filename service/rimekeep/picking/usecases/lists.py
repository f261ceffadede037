"""
Make pick lists and hand them out to devices.

A list is leased: a device that stays silent loses it, and whoever asks next gets it first.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from sqlalchemy import BindParameter, bindparam, func, or_, select, update
from sqlalchemy.orm import Session, aliased
from sqlalchemy.sql.dml import ReturningUpdate
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict
from rimekeep.orders import queries as orders
from rimekeep.picking import queries
from rimekeep.picking.core.records import ListTask
from rimekeep.picking.core.states import ListState, PickState
from rimekeep.picking.core.walk import Layout, shortest_walk
from rimekeep.picking.queries import ToList
from rimekeep.picking.tables import PickList
from rimekeep.platform.columns import UtcDateTime
from rimekeep.platform.database import bulk_insert
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Zone

# Another device may take an expired list between two looks; then the next one is due.
LOOKS = 5


def make_pick_lists(
    session: Session, now: datetime, caller: Caller, *, order_ids: Collection[int]
) -> list[ListTask]:
    """
    Put all reserved cases of the orders that are on no list yet onto lists, one per order and zone.

    Stops follow the shortest walk where the zone's aisles are known, else the bays' codes.
    """
    orders.check_orders(session, caller.site_id, order_ids)
    orders.lock_orders(session, caller.site_id, order_ids)
    zones = {zone.id: zone for zone in stock.zones(session, caller.site_id)}
    depths = queries.store_depths(session, caller.site_id)
    groups: dict[tuple[int, int], list[ToList]] = defaultdict(list)
    for one in queries.to_list(session, caller.site_id, order_ids):
        groups[one.order_id, one.zone_id].append(one)
    made: list[PickList] = []
    walks: list[list[ToList]] = []
    for (order_id, zone_id), members in groups.items():
        length_m, ordered = _walk(zones[zone_id], depths.get(zone_id), members)
        made.append(
            PickList(
                site_id=caller.site_id,
                order_id=order_id,
                zone_id=zone_id,
                state=ListState.READY,
                walk_m=round(length_m, 2),
                made_at=now,
            )
        )
        walks.append(ordered)
    session.add_all(made)
    session.flush()
    rows = [
        {
            "site_id": caller.site_id,
            "list_id": made_list.id,
            "stop": stop,
            "allocation_id": one.allocation_id,
            "bay_id": one.bay_id,
            "state": str(PickState.OPEN),
            "picked_cases": 0,
            "reason": "",
        }
        for made_list, ordered in zip(made, walks, strict=True)
        for stop, one in enumerate(ordered, 1)
    ]
    bulk_insert(session, SQLModel.metadata.tables["pick"], rows)
    for made_list, ordered in zip(made, walks, strict=True):
        data = {
            "list_id": made_list.id,
            "order_id": made_list.order_id,
            "zone_id": made_list.zone_id,
            "picks": len(ordered),
            "walk_m": made_list.walk_m,
        }
        record(session, caller.site_id, Event("pick_list.made", now, actor_id=caller.id, data=data))
    found = queries.list_tasks(session, caller.site_id, [made_list.id for made_list in made])
    return [found[made_list.id] for made_list in made]


def _walk(zone: Zone, depth: tuple[int, int] | None, members: Sequence[ToList]) -> tuple[float, list[ToList]]:
    """Return the walk's length [m], 0 where the aisles are not known, and its stops in order."""
    by_code = sorted(members, key=lambda one: (one.bay_code or "", one.sscc))
    if (
        depth is None
        or zone.slot_pitch_m is None
        or zone.aisle_pitch_m is None
        or zone.cross_aisle_offset_m is None
    ):
        return 0.0, by_code
    aisles, slots = depth
    front = zone.slots_front_block
    layout = Layout(
        aisles,
        slots,
        zone.slot_pitch_m,
        zone.aisle_pitch_m,
        zone.cross_aisle_offset_m,
        # A middle cross aisle behind the last slot anybody uses leaves one block.
        front if front is not None and front < slots else None,
    )
    places = [(one.aisle, one.slot) for one in members]
    walk = shortest_walk(layout, [(a, s) for a, s in places if a is not None and s is not None])
    rank = {place: number for number, place in enumerate(walk.stops)}

    def by_stop(one: ToList) -> tuple[int, int, str]:
        # What stands on the floor without a bay is fetched at the end, near the dock.
        place = (one.aisle or 0, one.slot or 0)
        return rank.get(place, len(rank)), one.level or 0, one.sscc

    return walk.length_m, sorted(members, key=by_stop)


def _take_statement() -> ReturningUpdate[int]:
    own, lost, ready = aliased(PickList), aliased(PickList), aliased(PickList)
    site: BindParameter[int] = bindparam("site")
    device: BindParameter[int] = bindparam("device")
    now = bindparam("present", type_=UtcDateTime)
    candidate = func.coalesce(
        select(func.min(col(own.id)))
        .where(col(own.site_id) == site, col(own.state) == ListState.TAKEN, col(own.device_id) == device)
        .scalar_subquery(),
        select(col(lost.id))
        .where(col(lost.site_id) == site, col(lost.state) == ListState.TAKEN)
        .where(col(lost.leased_until) < now)
        .order_by(col(lost.id))
        .limit(1)
        .with_for_update(skip_locked=True)
        .scalar_subquery(),
        select(col(ready.id))
        .where(col(ready.site_id) == site, col(ready.state) == ListState.READY)
        .order_by(col(ready.id))
        .limit(1)
        .with_for_update(skip_locked=True)
        .scalar_subquery(),
    )
    table = SQLModel.metadata.tables["pick_list"]
    is_taken = table.c.state == ListState.TAKEN
    return (
        update(table)
        .where(table.c.id == candidate)
        # Checked once more on the row itself: it may have changed hands while we waited for it.
        .where(
            or_(
                table.c.state == ListState.READY,
                is_taken & (table.c.device_id == device),
                is_taken & (table.c.leased_until < now),
            )
        )
        .values(state=ListState.TAKEN, device_id=device, leased_until=bindparam("until", type_=UtcDateTime))
        .returning(table.c.id)
    )


# Built once: every handheld asks it, and building it costs more than running it.
_TAKE = _take_statement()


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
    connection = session.connection()
    for _ in range(LOOKS):
        list_id = connection.execute(_TAKE, facts).scalar_one_or_none()
        if list_id is not None:
            return queries.list_task(session, caller.site_id, list_id)
    return None


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
        raise not_yours(queries.list_task(session, caller.site_id, list_id), caller)


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
        raise not_yours(task, caller)
    return task


def not_yours(task: ListTask, caller: Caller) -> Conflict:
    """Return the error for a list the device does not hold, with who does."""
    data: dict[str, object] = {"list_id": task.id, "state": task.state}
    if task.state == ListState.DONE:
        return Conflict("list-done", f"Pick list {task.id} is done. Take the next one.", data=data)
    if task.state == ListState.READY:
        return Conflict(
            "list-not-taken", f"Nobody holds pick list {task.id} now. Take a list first.", data=data
        )
    until = "" if task.leased_until is None else f" until {task.leased_until:%H:%M:%S} UTC"
    return Conflict(
        "list-leased",
        f"Pick list {task.id} is with another device{until}. Take the next list.",
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
