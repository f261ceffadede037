"""Reads of orders and their lines."""

from collections.abc import Collection, Sequence
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import Missing, missing
from rimekeep.orders.core.records import OpenLine
from rimekeep.orders.core.rules import Rules
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import Customer, CustomerRule, LastDelivered, OrderLine, SalesOrder
from rimekeep.platform.database import Listing, parts
from rimekeep.stock.tables import Product
from rimekeep.wording import say


def order(session: Session, site_id: int, order_id: int, *, is_locked: bool = False) -> SalesOrder:
    """Return an order of the site; locked, nobody else works on it until this transaction ends."""
    if is_locked:
        lock_orders(session, site_id, [order_id])
    found = session.get(SalesOrder, order_id, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("order", order_id)
    return found


def order_by_code(session: Session, site_id: int, code: str) -> SalesOrder | None:
    """Return the site's order of this code, or None."""
    return session.scalar(
        select(SalesOrder).where(col(SalesOrder.site_id) == site_id, col(SalesOrder.code) == code)
    )


def orders_by_code(
    session: Session, site_id: int, codes: Sequence[str], *, is_locked: bool = False
) -> dict[str, SalesOrder]:
    """Return those of the site's orders that have one of the codes, by code; locked as by `lock_orders`."""
    found: dict[str, SalesOrder] = {}
    for some in parts(codes):
        statement = select(SalesOrder).where(
            col(SalesOrder.site_id) == site_id, col(SalesOrder.code).in_(some)
        )
        if is_locked:
            statement = (
                statement.order_by(col(SalesOrder.id))
                .with_for_update(key_share=True)
                .execution_options(populate_existing=True)
            )
        found.update((row.code, row) for row in session.scalars(statement))
    return found


def orders(
    site_id: int, *, ship_on: date | None = None, state: str | None = None, customer_id: int | None = None
) -> Listing:
    """Return the statement for a site's orders, and its order."""
    statement = select(SalesOrder).where(col(SalesOrder.site_id) == site_id)
    if ship_on is not None:
        statement = statement.where(col(SalesOrder.ship_on) == ship_on)
    if state is not None:
        statement = statement.where(col(SalesOrder.state) == state)
    if customer_id is not None:
        statement = statement.where(col(SalesOrder.customer_id) == customer_id)
    return statement, [col(SalesOrder.id)]


def orders_by_id(session: Session, site_id: int, order_ids: Collection[int]) -> dict[int, SalesOrder]:
    """Return orders of the site by id; those of other sites are left out."""
    found: dict[int, SalesOrder] = {}
    for ids in parts(order_ids):
        rows = session.scalars(
            select(SalesOrder).where(col(SalesOrder.site_id) == site_id, col(SalesOrder.id).in_(ids))
        )
        found.update((row.id, row) for row in rows)
    return found


def lines_of(session: Session, order_id: int) -> list[OrderLine]:
    """Return the lines of one order, those taken off it (with no cases) too."""
    return list(
        session.scalars(
            select(OrderLine)
            .where(col(OrderLine.order_id) == order_id)
            .order_by(col(OrderLine.line_no))
            .execution_options(populate_existing=True)
        )
    )


def lines_by_order(session: Session, site_id: int, order_ids: Collection[int]) -> dict[int, list[OrderLine]]:
    """Return the lines of several orders, by order."""
    found: dict[int, list[OrderLine]] = {order_id: [] for order_id in order_ids}
    for ids in parts(order_ids):
        rows = session.scalars(
            select(OrderLine)
            .where(col(OrderLine.site_id) == site_id, col(OrderLine.order_id).in_(ids))
            .order_by(col(OrderLine.order_id), col(OrderLine.line_no))
        )
        for row in rows:
            found[row.order_id].append(row)
    return found


def lock_orders(session: Session, site_id: int, order_ids: Collection[int]) -> list[int]:
    """
    Keep other transactions from working on these orders until this one ends; return those of the site.

    In the order of their ids, so that two transactions never wait for each other. On SQLite writers take
    turns anyway.
    """
    return [
        found
        for ids in parts(order_ids)
        for found in session.scalars(
            select(col(SalesOrder.id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.id).in_(ids))
            .order_by(col(SalesOrder.id))
            .with_for_update(key_share=True)
        )
    ]


def order_ids_on(session: Session, site_id: int, ship_on: date, states: Collection[OrderState]) -> list[int]:
    """Return the ids of the orders that ship on a day and are in one of the states."""
    return list(
        session.scalars(
            select(col(SalesOrder.id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.ship_on) == ship_on)
            .where(col(SalesOrder.state).in_(states))
            .order_by(col(SalesOrder.id))
        )
    )


# A line's own rule, else the customer's for the product, else the customer's for all: each by itself.
_RULE_OF_LINE = (col(CustomerRule.customer_id) == col(SalesOrder.customer_id)) & (
    col(CustomerRule.product_id) == col(OrderLine.product_id)
)
_NO_BACKWARD: ColumnElement[bool] = func.coalesce(
    col(CustomerRule.no_backward_date), col(Customer.no_backward_date)
)
_RULES: tuple[ColumnElement[Any], ...] = (
    func.coalesce(col(OrderLine.min_life_days), col(CustomerRule.min_life_days), col(Customer.min_life_days)),
    func.coalesce(col(CustomerRule.max_lots_per_line), col(Customer.max_lots_per_line)),
    _NO_BACKWARD,
)
_FRACTION: ColumnElement[Any] = func.coalesce(
    col(OrderLine.min_life_fraction), col(CustomerRule.min_life_fraction), col(Customer.min_life_fraction)
)


def line_rules(session: Session, site_id: int, line_ids: Collection[int]) -> dict[int, Rules]:
    """Return the rules of order lines of the site, by line; each resolved by itself, as in `Rules`."""
    found: dict[int, Rules] = {}
    for ids in parts(line_ids):
        statement: Select[*tuple[Any, ...]] = (
            select(col(OrderLine.id), *_RULES, _FRACTION)
            .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
            .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
            .outerjoin(CustomerRule, _RULE_OF_LINE)
            .where(col(OrderLine.site_id) == site_id, col(OrderLine.id).in_(ids))
        )
        for line_id, days, max_lots, no_backward, fraction in session.execute(statement):
            found[line_id] = Rules(days, fraction, bool(no_backward), max_lots)
    return found


def open_lines(
    session: Session,
    site_id: int,
    *,
    ship_on: date | None = None,
    order_ids: Collection[int] | None = None,
    states: Collection[OrderState] = (OrderState.OPEN,),
) -> list[OpenLine]:
    """
    Return the lines of the site's orders in ``states``, by day, by orders named, or all.

    First placed first, which is also who is served first where stock is short and priorities are equal.
    """
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(OrderLine.id),
            col(OrderLine.line_no),
            col(SalesOrder.id),
            col(SalesOrder.code),
            col(SalesOrder.state),
            col(Customer.id),
            col(Customer.code),
            col(Product.id),
            col(Product.sku),
            col(OrderLine.cases),
            col(SalesOrder.ship_on),
            col(SalesOrder.deliver_on),
            col(SalesOrder.priority),
            *_RULES,
            col(LastDelivered.printed_on),
            _FRACTION,
        )
        .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .join(Product, col(Product.id) == col(OrderLine.product_id))
        .outerjoin(CustomerRule, _RULE_OF_LINE)
        .outerjoin(
            LastDelivered,
            (col(LastDelivered.customer_id) == col(Customer.id))
            & (col(LastDelivered.product_id) == col(Product.id))
            & _NO_BACKWARD,
        )
        .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.state).in_(states))
        # A line of no cases was taken off its order.
        .where(col(OrderLine.cases) > 0)
        .order_by(col(SalesOrder.id), col(OrderLine.line_no))
    )
    if ship_on is not None:
        statement = statement.where(col(SalesOrder.ship_on) == ship_on)
    if order_ids is None:
        return [OpenLine(*row) for row in session.execute(statement)]
    return [
        OpenLine(*row)
        for ids in parts(order_ids)
        for row in session.execute(statement.where(col(SalesOrder.id).in_(ids)))
    ]


def check_orders(session: Session, site_id: int, order_ids: Collection[int]) -> None:
    """Raise Missing for the first order that is not the site's."""
    absent = set(order_ids) - orders_by_id(session, site_id, order_ids).keys()
    if absent:
        raise Missing(
            "order-not-found",
            say("There is no order {absent} at this site.", absent=min(absent)),
            data={"order_ids": sorted(absent)},
        )
