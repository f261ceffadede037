"""Pick lists as pickers and the office see them, and what is to be put on lists."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, Select, bindparam, func, literal, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.picking.core.pallets import Goods
from rimekeep.picking.core.records import ListTask, PickTask
from rimekeep.picking.core.states import AllocationState, ListState, PickState
from rimekeep.picking.tables import Allocated, Pick, PickList, PlannedUnit
from rimekeep.platform.database import Listing, parts
from rimekeep.platform.straight import Among, Prepared, ask, ask_all
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import Package
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent, Zone


@dataclass(frozen=True, slots=True)
class ToList:
    """Reserved cases that are on no pick list yet, and where they stand."""

    order_id: int
    allocation_id: int
    zone_id: int
    bay_id: int | None
    bay_code: str | None
    aisle: int | None
    slot: int | None
    level: int | None
    sscc: str
    line_id: int
    content_id: int
    cases: int
    how: str
    goods: Goods
    # Units that stand between it and the aisle, in a deep bay; None: it is in none.
    in_front: int | None = None


def pick_list(session: Session, site_id: int, list_id: int) -> PickList:
    """Return a pick list of the site."""
    found = session.get(PickList, list_id)
    if found is None or found.site_id != site_id:
        raise missing("pick list", list_id)
    return found


def pick_lists(site_id: int, *, state: ListState | None = None, order_id: int | None = None) -> Listing:
    """Return the statement for a site's pick lists, and its order."""
    statement = select(PickList).where(col(PickList.site_id) == site_id)
    if state is not None:
        # Written into the statement, so that the index of the lists in that state serves.
        statement = statement.where(col(PickList.state) == literal(state, literal_execute=True))
    if order_id is not None:
        statement = statement.where(col(PickList.id).in_(lists_for(order_id)))
    return statement, [col(PickList.id)]


def lock_lists(session: Session, order_ids: Collection[int]) -> None:
    """
    Lock all lists with anything for these orders until this transaction ends.

    After the orders, before units and cases: everybody keeps to this order, so nobody waits in a circle.
    Whoever takes a list passes over one that is locked.
    """
    for ids in parts(order_ids):
        of_orders = (
            select(col(Pick.list_id))
            .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .where(col(OrderLine.order_id).in_(ids))
        )
        session.execute(
            select(col(PickList.id))
            .where(col(PickList.id).in_(of_orders))
            .order_by(col(PickList.id))
            .with_for_update()
        )


def lists_for(order_id: int) -> Select[int]:
    """Return the statement for the lists with anything for an order, those of several orders too."""
    return (
        select(col(Pick.list_id))
        .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
        .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .where(col(OrderLine.order_id) == order_id)
    )


_ListOrder = aliased(SalesOrder)
_HEAD = 14  # columns of the list that lead each row below
_TASKS: Select[*tuple[Any, ...]] = (
    select(
        col(PickList.id),
        col(PickList.order_id),
        col(_ListOrder.code),
        col(Customer.name),
        col(PickList.zone_id),
        col(Zone.code),
        col(PickList.state),
        col(PickList.walk_m),
        col(PickList.made_at),
        col(PickList.device_id),
        col(PickList.leased_until),
        col(PickList.done_at),
        col(PickList.taken_over_from_id),
        col(PickList.taken_over_at),
        col(Pick.id),
        col(Pick.stop),
        col(Pick.state),
        col(Product.sku),
        col(Product.name),
        col(Lot.code),
        col(Lot.best_before_on),
        col(Unit.sscc),
        col(Bay.code),
        col(Bay.aisle),
        col(Bay.slot),
        col(Bay.level),
        col(Allocated.cases),
        col(Product.cases_per_layer),
        col(Allocated.how),
        col(Pick.picked_cases),
        col(Pick.reason),
        col(SalesOrder.id),
        col(SalesOrder.code),
        col(PlannedUnit.number),
        col(PlannedUnit.sscc),
        col(Pick.tier),
        col(Pick.note),
    )
    .outerjoin(_ListOrder, col(_ListOrder.id) == col(PickList.order_id))
    .outerjoin(Customer, col(Customer.id) == col(_ListOrder.customer_id))
    .join(Zone, col(Zone.id) == col(PickList.zone_id))
    .join(Pick, col(Pick.list_id) == col(PickList.id))
    .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
    .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
    .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
    .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
    .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
    .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
    .join(Product, col(Product.id) == col(Lot.product_id))
    .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
    .outerjoin(PlannedUnit, col(PlannedUnit.id) == col(Pick.planned_unit_id))
    .order_by(col(PickList.id), col(Pick.walk_no), col(Pick.stop))
)


def list_tasks(session: Session, site_id: int, list_ids: Collection[int]) -> dict[int, ListTask]:
    """Return pick lists with their picks, by id."""
    found: dict[int, ListTask] = {}
    for ids in parts(list_ids):
        statement = _TASKS.where(col(PickList.site_id) == site_id, col(PickList.id).in_(ids))
        found |= _by_list(session.execute(statement))
    return found


def _by_list(rows: Iterable[Sequence[Any]]) -> dict[int, ListTask]:
    heads: dict[int, Sequence[Any]] = {}
    picks: dict[int, list[PickTask]] = {}
    for row in rows:
        heads[row[0]] = row[:_HEAD]
        picks.setdefault(row[0], []).append(PickTask(*row[_HEAD:]))
    return {list_id: ListTask(*(*head, tuple(picks[list_id]))) for list_id, head in heads.items()}


# Compiled once: it is what a handheld waits for.
_ONE = Prepared(
    _TASKS.where(col(PickList.site_id) == bindparam("site"), col(PickList.id) == bindparam("list"))
)


_LIST_ID: ColumnElement[int] = PickList.__table__.c.id  # type: ignore[attr-defined]
_SOME = Prepared(_TASKS.where(col(PickList.site_id) == bindparam("site"), Among(_LIST_ID, "lists")))


def tasks_of(session: Session, site_id: int, list_ids: Sequence[int]) -> dict[int, ListTask]:
    """Return a few pick lists with their picks, by id, for handhelds that wait."""
    return _by_list(ask(session, _SOME, {"site": site_id, "lists": list(list_ids)})) if list_ids else {}


def list_task(session: Session, site_id: int, list_id: int) -> ListTask:
    """Return one pick list with its picks."""
    rows = ask(session, _ONE, {"site": site_id, "list": list_id})
    if not rows:
        raise missing("pick list", list_id)
    return ListTask(*(*rows[0][:_HEAD], tuple(PickTask(*row[_HEAD:]) for row in rows)))


def to_list(session: Session, site_id: int, order_ids: Collection[int]) -> list[ToList]:
    """Return the orders' reserved cases that are on no pick list."""
    found: list[ToList] = []
    unit_ids: list[int] = []
    listed = select(col(Pick.id)).where(col(Pick.allocation_id) == col(Allocated.id)).exists()
    for ids in parts(order_ids):
        statement: Select[*tuple[Any, ...]] = (
            select(
                col(OrderLine.order_id),
                col(Allocated.id),
                col(Unit.zone_id),
                col(Bay.id),
                col(Bay.code),
                col(Bay.aisle),
                col(Bay.slot),
                col(Bay.level),
                col(Unit.sscc),
                col(OrderLine.id),
                col(UnitContent.id),
                col(Allocated.cases),
                col(Allocated.how),
                col(Unit.id),
                col(Product.id),
                col(Product.package),
                col(Product.footprint),
                col(Product.case_mass_kg),
                col(Product.cases_per_layer),
                col(Product.layers_per_pallet),
                col(Product.pallet_tare_kg),
                col(Product.carry_min_c),
                col(Product.carry_max_c),
                col(Product.case_height_mm),
                col(Product.crush_limit_kg),
            )
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .join(Product, col(Product.id) == col(Lot.product_id))
            .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
            .where(col(Allocated.site_id) == site_id, col(OrderLine.order_id).in_(ids))
            .where(col(Allocated.state) == AllocationState.RESERVED, ~listed)
            .order_by(col(OrderLine.order_id), col(Unit.zone_id), col(Allocated.id))
        )
        for row in session.execute(statement):
            unit_id, product_id, package, *rest = row[13:]
            goods = Goods(product_id, package == Package.KEG, *rest)
            found.append(ToList(*(*row[:13], goods)))
            unit_ids.append(unit_id)
    before = stock.in_front(session, site_id, {one.bay_id for one in found if one.bay_id is not None})
    return [replace(one, in_front=before.get(unit_id)) for one, unit_id in zip(found, unit_ids, strict=True)]


def store_depths(session: Session, site_id: int, zone_id: int | None = None) -> dict[int, tuple[int, int]]:
    """Return the number of aisles, and of slots in the longest, by zone that has bays; of one zone or all."""
    statement = (
        select(col(Bay.zone_id), func.max(col(Bay.aisle)), func.max(col(Bay.slot)))
        .where(col(Bay.site_id) == site_id)
        .group_by(col(Bay.zone_id))
    )
    if zone_id is not None:
        statement = statement.where(col(Bay.zone_id) == zone_id)
    return {row[0]: (row[1], row[2]) for row in session.execute(statement)}


_LEFT_ON_LIST = Prepared(
    select(func.count()).where(col(Pick.list_id) == bindparam("list"), col(Pick.state) == PickState.OPEN)
)
_LEFT_OF_ORDER = Prepared(
    select(func.count())
    .select_from(Allocated)
    .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
    .where(col(OrderLine.order_id) == bindparam("order"), col(Allocated.state) == AllocationState.RESERVED)
)


def picks_left(session: Session, order_id: int, list_id: int) -> tuple[int, int]:
    """Return how many picks are open on the list, and how many reservations of the order are not picked."""
    session.flush()
    on_list, of_order = ask_all(
        session, [(_LEFT_ON_LIST, {"list": list_id}), (_LEFT_OF_ORDER, {"order": order_id})]
    )
    return int(on_list[0][0]), int(of_order[0][0])
