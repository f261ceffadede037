"""What is on a trip, with all that its forecast must know of it."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import tzinfo

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.core.road_told import Carried
from rimekeep.loading.tables import DeckPlace
from rimekeep.orders import queries as orders
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.picking.core.allocation.records import least_days_left
from rimekeep.picking.core.wave import total_days
from rimekeep.picking.queries import HOLDING
from rimekeep.picking.tables import Allocated
from rimekeep.platform.database import parts
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent, Zone


def carried(session: Session, trip_id: int) -> list[Carried]:
    """Return the contents of a trip's units by drop."""
    rows = session.execute(
        select(
            col(UnitContent.id),
            col(Unit.sscc),
            col(DeckPlace.drop_no),
            col(SalesOrder.id),
            col(Customer.code),
            col(SalesOrder.deliver_on),
            col(Lot.code),
            col(Product.sku),
            col(UnitContent.cases),
            col(UnitContent.cases) * col(Product.case_mass_kg),
            col(Lot.packaged_at),
            col(Lot.best_before_on),
            col(Zone.planned_c),
            col(Unit.id),
            col(Product.carry_max_c),
            col(DeckPlace.row_no),
        )
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(DeckPlace, col(DeckPlace.unit_id) == col(Unit.id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Zone, col(Zone.id) == col(Unit.zone_id))
        .where(col(DeckPlace.trip_id) == trip_id, col(UnitContent.cases) > 0)
        .order_by(col(DeckPlace.drop_no), col(UnitContent.id))
    )
    return [Carried(*tuple(row)) for row in rows]


def least_days(session: Session, site_id: int, goods: Sequence[Carried], zone: tzinfo) -> dict[int, int]:
    """
    Return how many days of life the customer wants to be left, by content.

    By the rules of the order's lines that the cases serve; of several lines the strictest counts.
    """
    serves: dict[int, set[int]] = defaultdict(set)
    order_of = {one.content_id: one.order_id for one in goods}
    for ids in parts(list(order_of)):
        rows = session.execute(
            select(col(Allocated.content_id), col(Allocated.line_id), col(OrderLine.order_id))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .where(col(Allocated.site_id) == site_id, col(Allocated.content_id).in_(ids))
            .where(col(Allocated.state).in_(HOLDING))
        )
        for content_id, line_id, order_id in rows:
            if order_of[content_id] == order_id:
                serves[content_id].add(line_id)
    rules = orders.line_rules(session, site_id, _all(serves.values()))
    found = {}
    for one in goods:
        total = total_days(one.packaged_at, one.printed_on, zone)
        wanted = (rules[line_id] for line_id in serves[one.content_id])
        found[one.content_id] = max(
            (least_days_left(rule.min_life_days, rule.min_life_fraction, total) for rule in wanted), default=0
        )
    return found


def _all(sets: Collection[set[int]]) -> set[int]:
    return set().union(*sets)
