"""Reads of customers, their rules and their places."""

from collections.abc import Collection, Iterable
from datetime import date
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.orders.tables import Customer, CustomerDrop, CustomerRule, LastDelivered, SalesOrder
from rimekeep.platform.database import Listing, parts
from rimekeep.stock.tables import Product

# Whoever only refers to a row need not wait for who changes it.
_LOCK: dict[bool, Any] = {False: None, True: {"key_share": True}}
Row = TypeVar("Row", bound=Customer | CustomerRule | CustomerDrop)


def customer(session: Session, site_id: int, customer_id: int, *, is_locked: bool = False) -> Customer:
    """Return a customer of the site; locked, it stays as it is until this transaction ends."""
    found = session.get(Customer, customer_id, with_for_update=_LOCK[is_locked], populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("customer", customer_id)
    return found


def customer_by_code(session: Session, site_id: int, code: str) -> Customer | None:
    """Return the site's customer of this code, or None."""
    return session.scalar(
        select(Customer).where(col(Customer.site_id) == site_id, col(Customer.code) == code)
    )


def customers_by_code(session: Session, site_id: int) -> dict[str, Customer]:
    """Return every customer of the site by code."""
    return {row.code: row for row in all_of(session, Customer, site_id)}


def all_of(session: Session, table: type[Row], site_id: int, *, is_locked: bool = False) -> Iterable[Row]:
    """Return every row of the site; locked, they stay as they are until this transaction ends."""
    statement = select(table).where(col(table.site_id) == site_id).order_by(col(table.id))
    if is_locked:
        statement = statement.with_for_update(**_LOCK[True]).execution_options(populate_existing=True)
    return session.scalars(statement)


def customers(site_id: int) -> Listing:
    """Return the statement for a site's customers, and its order."""
    return select(Customer).where(col(Customer.site_id) == site_id), [col(Customer.id)]


def customer_rule(session: Session, site_id: int, rule_id: int, *, is_locked: bool = False) -> CustomerRule:
    """Return a rule of one of the site's customers for one product."""
    found = session.get(CustomerRule, rule_id, with_for_update=_LOCK[is_locked], populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("customer rule", rule_id)
    return found


def customer_rules(session: Session, site_id: int, customer_id: int) -> Listing:
    """Return the statement for a customer's rules for single products, and its order."""
    customer(session, site_id, customer_id)
    return select(CustomerRule).where(col(CustomerRule.customer_id) == customer_id), [col(CustomerRule.id)]


def rule_for(session: Session, customer_id: int, product_id: int) -> CustomerRule | None:
    """Return a customer's rule for one product, or None."""
    return session.scalar(
        select(CustomerRule).where(
            col(CustomerRule.customer_id) == customer_id, col(CustomerRule.product_id) == product_id
        )
    )


def drop(session: Session, site_id: int, drop_id: int, *, is_locked: bool = False) -> CustomerDrop:
    """Return a place of one of the site's customers."""
    found = session.get(CustomerDrop, drop_id, with_for_update=_LOCK[is_locked], populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("customer drop", drop_id)
    return found


def drops_of(session: Session, site_id: int, customer_id: int) -> Listing:
    """Return the statement for a customer's places, and its order."""
    customer(session, site_id, customer_id)
    return select(CustomerDrop).where(col(CustomerDrop.customer_id) == customer_id), [col(CustomerDrop.id)]


def drop_by_code(session: Session, customer_id: int, code: str) -> CustomerDrop | None:
    """Return a customer's place of this code, or None."""
    return session.scalar(
        select(CustomerDrop).where(
            col(CustomerDrop.customer_id) == customer_id, col(CustomerDrop.code) == code
        )
    )


def drops_by_code(session: Session, site_id: int) -> dict[tuple[int, str], CustomerDrop]:
    """Return every customer's places at the site, by (customer, code)."""
    return {(row.customer_id, row.code): row for row in all_of(session, CustomerDrop, site_id)}


def customers_of_drops(session: Session, site_id: int, drop_ids: Collection[int]) -> dict[int, int]:
    """Return whose place each of these is, by place; those of other sites are left out."""
    return {
        found[0]: found[1]
        for ids in parts(drop_ids)
        for found in session.execute(
            select(col(CustomerDrop.id), col(CustomerDrop.customer_id)).where(
                col(CustomerDrop.site_id) == site_id, col(CustomerDrop.id).in_(ids)
            )
        )
    }


def known_customers(session: Session, site_id: int, customer_ids: Collection[int]) -> set[int]:
    """Return those of the ids that are customers of the site."""
    return {
        found
        for ids in parts(customer_ids)
        for found in session.scalars(
            select(col(Customer.id)).where(col(Customer.site_id) == site_id, col(Customer.id).in_(ids))
        )
    }


def has_orders(session: Session, *, customer_id: int | None = None, drop_id: int | None = None) -> bool:
    """Tell whether any order, of whatever day, is of this customer or goes to this place."""
    statement = select(col(SalesOrder.id)).limit(1)
    if customer_id is not None:
        statement = statement.where(col(SalesOrder.customer_id) == customer_id)
    if drop_id is not None:
        statement = statement.where(col(SalesOrder.drop_id) == drop_id)
    return session.scalar(statement) is not None


def product_ids_by_sku(session: Session, site_id: int) -> dict[str, int]:
    """Return the ids of the site's products by SKU."""
    rows = session.execute(select(col(Product.sku), col(Product.id)).where(col(Product.site_id) == site_id))
    return {row[0]: row[1] for row in rows}


def known_products(session: Session, site_id: int, product_ids: Collection[int]) -> set[int]:
    """Return those of the ids that are products of the site."""
    return {
        found
        for ids in parts(product_ids)
        for found in session.scalars(
            select(col(Product.id)).where(col(Product.site_id) == site_id, col(Product.id).in_(ids))
        )
    }


def last_delivered(session: Session, customer_id: int, product_ids: Collection[int]) -> dict[int, date]:
    """Return the newest printed date the customer was delivered of each product they got."""
    return {
        found[0]: found[1]
        for ids in parts(product_ids)
        for found in session.execute(
            select(col(LastDelivered.product_id), col(LastDelivered.printed_on)).where(
                col(LastDelivered.customer_id) == customer_id, col(LastDelivered.product_id).in_(ids)
            )
        )
    }
