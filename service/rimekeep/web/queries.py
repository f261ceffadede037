"""What the pages show, each in one statement however large the store is."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Select, and_, case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.tables import Alert
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import DeckPlace, LoadPlanRow, Trip, Vehicle
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.picking.core.counts import CountState
from rimekeep.picking.queries.allocations import short_text
from rimekeep.picking.tables import Count, ShortLine, WasteTold
from rimekeep.shelflife.tables import Life
from rimekeep.stock.core.states import HERE, QaState
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent, Zone
from rimekeep.wording import say

# Days of life left at which one class ends and the next begins.
EDGES_DAYS = (14, 30, 60, 120)
# What is older or more is told by the service.
ALERTS_SHOWN = timedelta(days=7)
MOST_ALERTS = 10


@dataclass(frozen=True, slots=True)
class ProductStock:
    """One product's cases by life left, and what is wanted of it."""

    sku: str
    name: str
    by_life: tuple[int, ...]
    held: int
    wanted: int
    ends_first_at: datetime | None

    @property
    def cases(self) -> int:
        """All cases at the site."""
        return sum(self.by_life)


def stock_by_life(session: Session, site_id: int, now: datetime, until: date) -> list[ProductStock]:
    """Return every product's cases in classes of life left, and the cases ordered up to ``until``."""
    bounds = [None, *(now + timedelta(days=days) for days in EDGES_DAYS), None]
    classes = []
    for low, high in itertools.pairwise(bounds):
        inside = [col(Life.expires_at) >= low] if low is not None else []
        inside += [col(Life.expires_at) < high] if high is not None else []
        classes.append(func.coalesce(func.sum(case((and_(*inside), col(UnitContent.cases)), else_=0)), 0))
    is_held = (col(Unit.qa_state) != QaState.RELEASED) | (col(Lot.qa_state) != QaState.RELEASED)
    held = func.coalesce(func.sum(case((is_held, col(UnitContent.cases)), else_=0)), 0)
    stock = (
        select(col(Lot.product_id), *classes, held, func.min(col(Life.expires_at)))
        .join(UnitContent, col(UnitContent.lot_id) == col(Lot.id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Life, col(Life.content_id) == col(UnitContent.id))
        .where(col(Lot.site_id) == site_id, col(UnitContent.cases) > 0, col(Unit.state).in_(HERE))
        .group_by(col(Lot.product_id))
    )
    found = {row[0]: row for row in session.execute(stock)}
    wanted = {
        row[0]: int(row[1])
        for row in session.execute(
            select(col(OrderLine.product_id), func.sum(col(OrderLine.cases)))
            .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.ship_on) <= until)
            .where(col(SalesOrder.state).in_([OrderState.OPEN, OrderState.ALLOCATED, OrderState.PICKED]))
            .group_by(col(OrderLine.product_id))
        )
    }
    size = len(classes)
    shown = []
    products = select(Product).where(col(Product.site_id) == site_id).order_by(col(Product.sku))
    for product in session.scalars(products):
        row = found.get(product.id)
        shown.append(
            ProductStock(
                product.sku,
                product.name,
                tuple(int(cases) for cases in row[1 : 1 + size]) if row else (0,) * size,
                int(row[1 + size]) if row else 0,
                wanted.get(product.id, 0),
                row[2 + size] if row else None,
            )
        )
    return shown


@dataclass(frozen=True, slots=True)
class OrderOfDay:
    """One order of the day."""

    id: int
    code: str
    customer: str
    state: str
    lines: int
    cases: int
    short: int
    reasons: tuple[str, ...]


def orders_of_day(session: Session, site_id: int, ship_on: date) -> list[OrderOfDay]:
    """Return the day's orders with what is short on them and why."""
    orders = session.execute(
        select(
            col(SalesOrder.id),
            col(SalesOrder.code),
            col(Customer.name),
            col(SalesOrder.state),
            func.count(col(OrderLine.id)),
            func.coalesce(func.sum(col(OrderLine.cases)), 0),
        )
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .outerjoin(OrderLine, col(OrderLine.order_id) == col(SalesOrder.id))
        .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.ship_on) == ship_on)
        .where(col(SalesOrder.state) != OrderState.CANCELLED)
        .group_by(col(SalesOrder.id), col(Customer.name))
        .order_by(col(SalesOrder.code))
    ).all()
    short: dict[int, list[tuple[int, str, str]]] = {}
    for order_id, sku, cases, reason in session.execute(
        select(col(OrderLine.order_id), col(Product.sku), col(ShortLine.cases), col(ShortLine.reason))
        .join(OrderLine, col(OrderLine.id) == col(ShortLine.line_id))
        .join(Product, col(Product.id) == col(OrderLine.product_id))
        .where(col(OrderLine.order_id).in_([order[0] for order in orders]), col(ShortLine.cases) > 0)
        .order_by(col(OrderLine.line_no))
    ):
        short.setdefault(order_id, []).append((cases, sku, reason))
    return [
        OrderOfDay(
            key,
            code,
            customer,
            state,
            lines,
            int(cases),
            sum(found[0] for found in short.get(key, ())),
            tuple(
                say("{missing} {sku}: {why}", missing=missing, sku=sku, why=short_text(reason))
                for missing, sku, reason in short.get(key, ())
            ),
        )
        for key, code, customer, state, lines, cases in orders
    ]


@dataclass(frozen=True, slots=True)
class TripOfDay:
    """One truck of the day."""

    id: int
    vehicle: str
    state: str
    units: int
    drops: int
    mass_kg: float
    departed_at: datetime | None
    ended_at: datetime | None
    trip_no: int
    trips: int


def trips_of_day(session: Session, site_id: int, ship_on: date) -> Sequence[TripOfDay]:
    """Return the day's trucks of plans that still count."""
    rows = session.execute(
        select(
            col(Trip.id),
            col(Vehicle.name),
            col(LoadPlanRow.state),
            func.count(col(DeckPlace.id)),
            func.count(col(DeckPlace.order_id).distinct()),
            func.coalesce(func.sum(col(DeckPlace.mass_kg)), 0.0),
            col(Trip.departed_at),
            col(Trip.ended_at),
            col(Trip.trip_no),
            func.count().over(partition_by=(col(Trip.plan_id), col(Trip.vehicle_id))),
        )
        .join(Trip, col(Trip.vehicle_id) == col(Vehicle.id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .outerjoin(DeckPlace, col(DeckPlace.trip_id) == col(Trip.id))
        .where(col(LoadPlanRow.site_id) == site_id, col(LoadPlanRow.ship_on) == ship_on)
        .where(col(LoadPlanRow.state) != PlanState.DROPPED)
        .group_by(col(Trip.id), col(Vehicle.name), col(LoadPlanRow.state))
        .order_by(col(Trip.id))
    )
    return [TripOfDay(*tuple[Any, ...](row)) for row in rows]


@dataclass(frozen=True, slots=True)
class Waste:
    """A lot that people were told will not sell in time, with cases still here."""

    lot_id: int
    lot: str
    product: str
    cases: int
    best_before_on: date
    told_at: datetime


# More than a page can be acted on; the earliest best-before comes first.
MOST_WASTE = 20


def waste_expected(session: Session, site_id: int) -> list[Waste]:
    """Return what was found not to sell in time, of lots of which any cases are still here."""
    is_here = (
        select(col(UnitContent.id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.lot_id) == col(Lot.id), col(UnitContent.cases) > 0, col(Unit.state).in_(HERE))
        .exists()
    )
    rows = session.execute(
        select(
            col(Lot.id),
            col(Lot.code),
            col(Product.name),
            col(WasteTold.cases),
            col(Lot.best_before_on),
            col(WasteTold.told_at),
        )
        .join(Lot, col(Lot.id) == col(WasteTold.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(WasteTold.site_id) == site_id, is_here)
        .order_by(col(Lot.best_before_on), col(Lot.id))
        .limit(MOST_WASTE)
    )
    return [Waste(*row) for row in rows]


@dataclass(frozen=True, slots=True)
class OpenAlert:
    """An alert nobody has taken on."""

    id: int
    family: str
    zone: str | None
    severity: str
    opened_at: datetime


def open_alerts(session: Session, site_id: int, now: datetime) -> list[OpenAlert]:
    """Return warnings and graver of the last week that nobody has taken on, the newest first."""
    rows: Select[*tuple[Any, ...]] = (
        select(col(Alert.id), col(Alert.family), col(Zone.name), col(Alert.severity), col(Alert.opened_at))
        .outerjoin(Zone, col(Zone.id) == col(Alert.zone_id))
        .where(col(Alert.site_id) == site_id, col(Alert.acknowledged_at).is_(None))
        .where(col(Alert.severity) != Severity.INFO, col(Alert.opened_at) > now - ALERTS_SHOWN)
        .order_by(col(Alert.opened_at).desc(), col(Alert.id).desc())
        .limit(MOST_ALERTS)
    )
    return [OpenAlert(*row) for row in session.execute(rows)]


@dataclass(frozen=True, slots=True)
class CountsToDo:
    """Counts nobody has done yet, and differences the lead has not spoken on."""

    to_do: int
    waiting: int


def counts_to_do(session: Session, site_id: int) -> CountsToDo:
    """Return how many counts are left."""
    states = select(col(Count.state), func.count()).where(
        col(Count.site_id) == site_id, col(Count.state) != CountState.DONE
    )
    rows = session.execute(states.group_by(col(Count.state)))
    found = {str(row[0]): int(row[1]) for row in rows}
    return CountsToDo(
        found.get(CountState.OPEN, 0) + found.get(CountState.TAKEN, 0), found.get(CountState.WAITING, 0)
    )
