"""Reads of what is ready to be loaded, and what is bound by a plan already."""

from collections import defaultdict
from collections.abc import Collection, Sequence

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.core.cargo import Cargo, CargoPart
from rimekeep.loading.core.day_roads import DropPlace
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import DeckPlace, LoadPlanRow, Trip
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import Customer, CustomerDrop, OrderLine, SalesOrder
from rimekeep.picking.core.states import AllocationState, Handling
from rimekeep.picking.queries import HOLDING
from rimekeep.picking.tables import Allocated
from rimekeep.platform.database import parts
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent

LOADABLE = (OrderState.ALLOCATED, OrderState.PICKED, OrderState.LOADED)
# A plan in one of these states binds its units.
BINDING = (PlanState.CONFIRMED, PlanState.DEPARTED)


def bound_units(session: Session, site_id: int, order_ids: Collection[int]) -> dict[int, int]:
    """Return the units of these orders that a confirmed or departed plan carries, with that plan."""
    found: dict[int, int] = {}
    for ids in parts(order_ids):
        rows = session.execute(
            select(col(DeckPlace.unit_id), col(Trip.plan_id))
            .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
            .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
            .where(col(DeckPlace.site_id) == site_id, col(DeckPlace.order_id).in_(ids))
            .where(col(LoadPlanRow.state).in_(BINDING))
        )
        found.update((row[0], row[1]) for row in rows)
    return found


def order_units(session: Session, site_id: int, order_ids: Collection[int]) -> list[tuple[int, int, bool]]:
    """
    Return (order, unit, ready) for the units that carry these orders' cases and have not left.

    Ready: the unit exists as it will travel, because its cases are picked or it is taken whole.
    """
    found = []
    is_open = or_(
        and_(col(Allocated.state) == AllocationState.RESERVED, col(Allocated.how) != Handling.PALLET),
        # Cases nobody wants any more come off it first.
        col(Allocated.state) == AllocationState.SURPLUS,
    )
    for ids in parts(order_ids):
        rows = session.execute(
            select(col(OrderLine.order_id), col(Unit.id), func.count().filter(is_open))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .where(col(Allocated.site_id) == site_id, col(OrderLine.order_id).in_(ids))
            .where(col(Allocated.state).in_(HOLDING))
            .where(col(Unit.state) != UnitState.DEPARTED)
            .group_by(col(OrderLine.order_id), col(Unit.id))
            .order_by(col(OrderLine.order_id), col(Unit.id))
        )
        found += [(row[0], row[1], not row[2]) for row in rows]
    return found


def is_to_be_picked(session: Session, order_id: int) -> bool:
    """Tell whether anything reserved for an order is not picked yet."""
    found = session.scalar(
        select(col(Allocated.id))
        .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .where(col(OrderLine.order_id) == order_id, col(Allocated.state) == AllocationState.RESERVED)
        .limit(1)
    )
    return found is not None


def drop_places(session: Session, site_id: int, order_ids: Sequence[int]) -> list[DropPlace]:
    """Return where orders are delivered, in the order of their numbers."""
    found = []
    for ids in parts(order_ids):
        rows = session.execute(
            select(
                col(Customer.code),
                col(SalesOrder.code),
                col(SalesOrder.drop_id),
                col(SalesOrder.ship_on),
                col(SalesOrder.deliver_on),
                col(CustomerDrop.latitude),
                col(CustomerDrop.longitude),
                col(CustomerDrop.opens_at),
                col(CustomerDrop.closes_at),
            )
            .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
            .join(CustomerDrop, col(CustomerDrop.id) == col(SalesOrder.drop_id), isouter=True)
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.id).in_(ids))
            .order_by(col(SalesOrder.id))
        )
        found += [
            DropPlace(row[0], row[1], row[2], (row[4] - row[3]).days, row[5], row[6], row[7], row[8])
            for row in rows
        ]
    return found


def cargo(session: Session, site_id: int, pairs: Sequence[tuple[int, int]]) -> list[Cargo]:
    """Return units, given as (order, unit), with weight and temperature, in the order given."""
    unit_parts: dict[int, list[CargoPart]] = defaultdict(list)
    ssccs: dict[int, str] = {}
    for ids in parts([unit_id for _, unit_id in pairs]):
        rows = session.execute(
            select(
                col(Unit.id),
                col(Unit.sscc),
                col(Product.id),
                col(UnitContent.cases),
                col(Product.case_mass_kg),
                col(Product.pallet_tare_kg),
                col(Product.carry_min_c),
                col(Product.carry_max_c),
                col(Product.footprint),
                col(Product.cases_per_layer),
                col(Product.case_height_mm),
                col(Product.crush_limit_kg),
            )
            .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .join(Product, col(Product.id) == col(Lot.product_id))
            .where(col(Unit.site_id) == site_id, col(Unit.id).in_(ids), col(UnitContent.cases) > 0)
            .order_by(col(UnitContent.id))
        )
        for row in rows:
            ssccs[row[0]] = row[1]
            unit_parts[row[0]].append(CargoPart(*row[2:]))
    customers: dict[int, str] = {}
    for ids in parts([order_id for order_id, _ in pairs]):
        named = session.execute(
            select(col(SalesOrder.id), col(Customer.code))
            .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.id).in_(ids))
        )
        customers.update((row[0], row[1]) for row in named)
    return [
        Cargo(unit_id, ssccs[unit_id], order_id, customers[order_id], tuple(unit_parts[unit_id]))
        for order_id, unit_id in pairs
        if unit_id in ssccs
    ]
