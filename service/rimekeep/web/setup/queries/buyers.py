"""Customers, what they want of single products, and where they take goods in."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.tables import Customer, CustomerDrop, CustomerRule
from rimekeep.stock.tables import Product
from rimekeep.web.setup.queries.listing import Asked, Listed, listed

# More are told by the API.
MOST = 200


@dataclass(frozen=True, slots=True)
class CustomerRow:
    """A customer in a list."""

    id: int
    code: str
    name: str
    phone: str
    min_life_days: int
    min_life_fraction: float | None
    no_backward_date: bool
    rules: int
    drops: int


def customer_page(session: Session, site_id: int, asked: Asked) -> Listed[CustomerRow]:
    """Return customers."""
    of_it = {
        kind: select(func.count()).where(col(kind.customer_id) == col(Customer.id)).scalar_subquery()
        for kind in (CustomerRule, CustomerDrop)
    }
    statement: Select[*tuple[Any, ...]] = select(
        col(Customer.id),
        col(Customer.code),
        col(Customer.name),
        col(Customer.phone),
        col(Customer.min_life_days),
        col(Customer.min_life_fraction),
        col(Customer.no_backward_date),
        of_it[CustomerRule],
        of_it[CustomerDrop],
    ).where(col(Customer.site_id) == site_id)
    searched = [col(Customer.code), col(Customer.name), col(Customer.address)]
    return listed(session, statement, asked, code=col(Customer.code), searched=searched, row=CustomerRow)


def rules_of(session: Session, customer_id: int) -> list[tuple[CustomerRule, str]]:
    """Return what a customer wants of single products, with the products' names."""
    rows = session.execute(
        select(CustomerRule, col(Product.name))
        .join(Product, col(Product.id) == col(CustomerRule.product_id))
        .where(col(CustomerRule.customer_id) == customer_id)
        .order_by(col(Product.sku))
        .limit(MOST)
    )
    return [(rule, name) for rule, name in rows]


def drops_of(session: Session, customer_id: int) -> list[CustomerDrop]:
    """Return the places a customer is delivered to."""
    rows = session.scalars(
        select(CustomerDrop)
        .where(col(CustomerDrop.customer_id) == customer_id)
        .order_by(col(CustomerDrop.code))
        .limit(MOST)
    )
    return list(rows)
