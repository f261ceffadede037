"""
Make pick lists: plan the pallets, share them among walks, bring the stops into order.

The pallets of an order in a zone are planned first, each with its SSCC; then units share walks by the zone's
capacity; then the stops of each walk are ordered by `core.pallets.sequence`, walking against stacking.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.orders import queries as orders
from rimekeep.picking import queries
from rimekeep.picking.core.again import front_first
from rimekeep.picking.core.batching import Load, batch
from rimekeep.picking.core.pallets import Limits, Pallet, Part, build_pallets, set_aside, work_order
from rimekeep.picking.core.records import ListTask
from rimekeep.picking.core.states import AllocationState, Handling, ListsBy, ListState, PickState
from rimekeep.picking.core.walk import Layout, shortest_walk
from rimekeep.picking.queries import ToList
from rimekeep.picking.tables import Allocated, PickList, PlannedUnit
from rimekeep.platform.database import bulk_insert
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.states import ZoneKind
from rimekeep.stock.tables import Zone


@dataclass(frozen=True, slots=True)
class _Load:
    """One unit for the dock: a pallet to be built with the rows that go onto it, or a row that goes whole."""

    order_id: int
    rows: tuple[ToList, ...]
    pallet: Pallet | None


@dataclass(slots=True)
class _Draft:
    """A list before it is stored: its row, its loads, and (load, row) in order of work."""

    row: PickList
    loads: list[_Load]
    stops: list[tuple[_Load, ToList]]
    set_aside: int
    units: dict[int, PlannedUnit] = field(default_factory=dict)


def make_pick_lists(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    order_ids: Collection[int],
    by: ListsBy = ListsBy.ORDER,
) -> list[ListTask]:
    """
    Put all reserved cases of the orders that are on no list yet onto lists.

    One list per order and zone; where the zone says how many units fit on a walk, an order has as many lists
    as it needs, and with ``by`` batch units of several orders share them, each order on units of its own.
    Stops follow the shortest walk where the zone's aisles are known, else the bays' codes.
    """
    orders.check_orders(session, caller.site_id, order_ids)
    orders.lock_orders(session, caller.site_id, order_ids)
    zones = {zone.id: zone for zone in stock.zones(session, caller.site_id)}
    depths = queries.store_depths(session, caller.site_id)
    limits = _limits(zones.values())
    groups: dict[int, dict[int, list[ToList]]] = defaultdict(lambda: defaultdict(list))
    for one in queries.to_list(session, caller.site_id, order_ids):
        groups[one.zone_id][one.order_id].append(one)
    drafts: list[_Draft] = []
    for zone_id, members in groups.items():
        zone = zones[zone_id]
        layout = layout_of(zone, depths.get(zone_id))
        loads = {order_id: _loads(rows, limits) for order_id, rows in members.items()}
        if by == ListsBy.BATCH and zone.units_per_walk is not None:
            together = [[load for some in loads.values() for load in some]]
        else:
            together = list(loads.values())
        for some in together:
            drafts += [
                _draft(caller.site_id, zone_id, layout, chosen, now)
                for chosen in _shared(layout, some, zone.units_per_walk)
            ]
    drafts.sort(key=lambda draft: min(load.order_id for load in draft.loads))
    _store(session, caller.site_id, drafts)
    for draft in drafts:
        data = {
            "list_id": draft.row.id,
            "order_id": draft.row.order_id,
            "orders": sorted({load.order_id for load in draft.loads}),
            "zone_id": draft.row.zone_id,
            "picks": len(draft.stops),
            "walk_m": draft.row.walk_m,
            "set_aside": draft.set_aside,
            "units": [unit.sscc for unit in draft.units.values()],
        }
        record(session, caller.site_id, Event("pick_list.made", now, actor_id=caller.id, data=data))
    found = queries.list_tasks(session, caller.site_id, [draft.row.id for draft in drafts])
    return [found[draft.row.id] for draft in drafts]


def _limits(zones: Iterable[Zone]) -> Limits:
    """Return what a built unit may measure and weigh: the least any staging area or dock allows."""
    waiting = [zone for zone in zones if zone.kind in (ZoneKind.STAGING, ZoneKind.DOCK)]
    return Limits(
        min(
            (zone.max_unit_height_mm for zone in waiting if zone.max_unit_height_mm is not None), default=None
        ),
        min((zone.max_unit_mass_kg for zone in waiting if zone.max_unit_mass_kg is not None), default=None),
    )


def layout_of(zone: Zone, depth: tuple[int, int] | None) -> Layout | None:
    """Return the zone's aisles up to the last bay, or None where they are not known."""
    if (
        depth is None
        or zone.slot_pitch_m is None
        or zone.aisle_pitch_m is None
        or zone.cross_aisle_offset_m is None
    ):
        return None
    aisles, slots = depth
    middle = {*(zone.cross_aisles_after or ()), *([zone.slots_front_block] if zone.slots_front_block else ())}
    return Layout(
        aisles,
        slots,
        zone.slot_pitch_m,
        zone.aisle_pitch_m,
        zone.cross_aisle_offset_m,
        # A cross aisle behind the last slot anybody uses is the back one.
        cross_aisles_after=tuple(sorted(slot for slot in middle if slot < slots)) or None,
        level_penalty_m=zone.level_penalty_m,
        is_one_way=zone.is_one_way and aisles > 1,
    )


def _loads(rows: Sequence[ToList], limits: Limits) -> list[_Load]:
    """Return an order's units in one zone: those that go as they are, and the pallets to be built."""
    by_id = {row.allocation_id: row for row in rows}
    loads = [_Load(row.order_id, (row,), None) for row in rows if row.how == Handling.PALLET]
    parts = [Part(row.allocation_id, row.goods, row.cases) for row in rows if row.how != Handling.PALLET]
    for pallet in build_pallets(parts, limits).pallets:
        on_it = tuple(replace(by_id[part_id], cases=cases) for part_id, cases in pallet.cases.items())
        loads.append(_Load(on_it[0].order_id, on_it, pallet))
    return loads


def _shared(layout: Layout | None, loads: list[_Load], most_units: int | None) -> list[list[_Load]]:
    """Return the units of each walk."""
    if most_units is None or len(loads) <= most_units:
        return [loads]
    if layout is None:
        return [loads[start : start + most_units] for start in range(0, len(loads), most_units)]
    named = [
        Load(number, tuple(place for row in load.rows if (place := _place(row)) is not None))
        for number, load in enumerate(loads)
    ]
    return [[loads[number] for number in ids] for ids in batch(layout, named, most_units=most_units).walks]


def _place(row: ToList) -> tuple[int, int] | None:
    return None if row.aisle is None or row.slot is None else (row.aisle, row.slot)


def _draft(site_id: int, zone_id: int, layout: Layout | None, loads: list[_Load], now: datetime) -> _Draft:
    """Return a list with its stops in order of work."""
    rows = {row.allocation_id: row for load in loads for row in load.rows}

    def walked(some: Sequence[int]) -> tuple[float, list[int]]:
        by_code = sorted(some, key=lambda one: (rows[one].bay_code or "", rows[one].sscc, one))
        if layout is None:
            return 0.0, by_code
        picks = [
            (*place, rows[one].level or 0) for one in by_code if (place := _place(rows[one])) is not None
        ]
        walk = shortest_walk(layout, picks)
        rank = {place: number for number, place in enumerate(walk.stops)}
        by_code.sort(key=lambda one: rank.get(_place(rows[one]) or (0, 0), len(rank)))
        return walk.length_m, by_code

    length_m, order = walked(list(rows))
    pallets = [load.pallet for load in loads if load.pallet is not None]
    lifted = 0
    if layout is None or not layout.is_one_way:
        length_m, order, lifted = work_order(pallets, order, walk_again=walked, length_m=length_m)
    lanes = {
        key: (row.bay_id, row.in_front)
        for key, row in rows.items()
        if row.bay_id is not None and row.in_front is not None
    }
    # What stands in front comes first, whichever way round the walk goes.
    if (reached := front_first(order, lanes)) != list(order):
        order, lifted = reached, set_aside(pallets, reached)
    rank = {allocation_id: number for number, allocation_id in enumerate(order)}
    stops = [(load, row) for load in loads for row in load.rows]
    stops.sort(key=lambda stop: rank[stop[1].allocation_id])
    order_ids = {load.order_id for load in loads}
    row = PickList(
        site_id=site_id,
        order_id=min(order_ids) if len(order_ids) == 1 else None,
        zone_id=zone_id,
        state=ListState.READY,
        walk_m=round(length_m, 2),
        made_at=now,
    )
    return _Draft(row, loads, stops, lifted)


def _store(session: Session, site_id: int, drafts: list[_Draft]) -> None:
    session.add_all(draft.row for draft in drafts)
    session.flush()
    for draft in drafts:
        built = [load for load in draft.loads if load.pallet is not None]
        for number, load in enumerate(built, start=1):
            draft.units[id(load)] = PlannedUnit(
                site_id=site_id,
                list_id=draft.row.id,
                order_id=load.order_id,
                number=number,
                sscc=stock_usecases.new_sscc(session, site_id),
            )
    session.add_all(unit for draft in drafts for unit in draft.units.values())
    session.flush()
    allocation_of = _divided(session, site_id, [row for draft in drafts for _, row in draft.stops])
    rows = []
    for draft in drafts:
        for stop, (load, row) in enumerate(draft.stops, 1):
            unit = draft.units.get(id(load))
            tier = None if load.pallet is None else load.pallet.lowest_tier[row.allocation_id]
            rows.append(
                {
                    "site_id": site_id,
                    "list_id": draft.row.id,
                    "stop": stop,
                    "walk_no": stop,
                    "allocation_id": allocation_of[id(row)],
                    "bay_id": row.bay_id,
                    "planned_unit_id": None if unit is None else unit.id,
                    "tier": tier,
                    "state": str(PickState.OPEN),
                    "picked_cases": 0,
                    "reason": "",
                    "note": "",
                }
            )
    bulk_insert(session, SQLModel.metadata.tables["pick"], rows)


def _divided(session: Session, site_id: int, rows: list[ToList]) -> Mapping[int, int]:
    """Divide allocations whose cases go onto several pallets; return each row's own, by its identity."""
    shares: dict[int, list[ToList]] = defaultdict(list)
    for row in rows:
        shares[row.allocation_id].append(row)
    found: dict[int, int] = {}
    for allocation_id, some in shares.items():
        found[id(some[0])] = allocation_id
        if len(some) == 1:
            continue
        whole = session.get_one(Allocated, allocation_id, populate_existing=True)
        session.execute(
            update(Allocated)
            .where(col(Allocated.id) == allocation_id)
            .values(cases=some[0].cases, how=_how(some[0]))
            .execution_options(synchronize_session=False)
        )
        more = [
            Allocated(
                site_id=site_id,
                line_id=row.line_id,
                content_id=row.content_id,
                cases=row.cases,
                how=_how(row),
                state=AllocationState.RESERVED,
                at=whole.at,
            )
            for row in some[1:]
        ]
        session.add_all(more)
        session.flush()
        found.update((id(row), added.id) for row, added in zip(some[1:], more, strict=True))
        session.expire(whole)
    return found


def _how(row: ToList) -> str:
    return str(Handling.CASES if row.cases % row.goods.cases_per_layer else Handling.LAYERS)
