"""What the pages of orders show."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.tables import Customer, CustomerDrop, OrderLine, SalesOrder
from rimekeep.picking.tables import ShortLine
from rimekeep.stock.tables import Product
from rimekeep.web.setup.queries.listing import Asked, Listed, listed

# More are told by the API.
MOST_PLACES = 200


@dataclass(frozen=True, slots=True)
class OrderRow:
    """An order in a list."""

    id: int
    code: str
    customer: str
    ship_on: date
    deliver_on: date
    state: str
    cases: int
    short: int


def order_page(
    session: Session, site_id: int, asked: Asked, ship_on: date | None, state: str
) -> Listed[OrderRow]:
    """Return orders by their numbers, found by number, customer or the customer's own number."""
    cases = (
        select(func.coalesce(func.sum(col(OrderLine.cases)), 0))
        .where(col(OrderLine.order_id) == col(SalesOrder.id))
        .scalar_subquery()
    )
    short = (
        select(func.coalesce(func.sum(col(ShortLine.cases)), 0))
        .join(OrderLine, col(OrderLine.id) == col(ShortLine.line_id))
        .where(col(OrderLine.order_id) == col(SalesOrder.id))
        .scalar_subquery()
    )
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(SalesOrder.id),
            col(SalesOrder.code),
            col(Customer.name),
            col(SalesOrder.ship_on),
            col(SalesOrder.deliver_on),
            col(SalesOrder.state),
            cases,
            short,
        )
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(SalesOrder.site_id) == site_id)
    )
    if ship_on is not None:
        statement = statement.where(col(SalesOrder.ship_on) == ship_on)
    if state:
        statement = statement.where(col(SalesOrder.state) == state)
    searched = [col(SalesOrder.code), col(Customer.name), col(SalesOrder.external_reference)]
    return listed(session, statement, asked, code=col(SalesOrder.code), searched=searched, row=OrderRow)


def products_of(session: Session, order_id: int) -> dict[int, tuple[str, str]]:
    """Return codes and names of an order's products, by product."""
    rows = session.execute(
        select(col(Product.id), col(Product.sku), col(Product.name)).where(
            col(Product.id).in_(select(col(OrderLine.product_id)).where(col(OrderLine.order_id) == order_id))
        )
    )
    return {key: (sku, name) for key, sku, name in rows}


def places_of(session: Session, customer_id: int) -> list[tuple[int, str]]:
    """Return the places a customer is delivered to."""
    rows = session.execute(
        select(col(CustomerDrop.id), col(CustomerDrop.code), col(CustomerDrop.name))
        .where(col(CustomerDrop.customer_id) == customer_id)
        .order_by(col(CustomerDrop.code))
        .limit(MOST_PLACES)
    )
    return [(key, f"{code} {name}".strip()) for key, code, name in rows]


def place(session: Session, drop_id: int | None) -> str | None:
    """Return the name of the place an order goes to; None: the customer's own address."""
    if drop_id is None:
        return None
    found = session.get(CustomerDrop, drop_id)
    return (found.name or found.code) if found else None
