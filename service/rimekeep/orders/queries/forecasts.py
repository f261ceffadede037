"""Reads of forecasts, and of what was and is ordered, to set beside them."""

from collections.abc import Collection
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.core.forecasts import Wanted
from rimekeep.orders.core.rules import Rules
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import (
    Customer,
    CustomerRule,
    DemandForecast,
    ForecastVersion,
    OrderLine,
    SalesOrder,
)
from rimekeep.platform.database import Listing, parts


def forecasts(
    site_id: int,
    *,
    product_id: int | None = None,
    customer_id: int | None = None,
    first: date | None = None,
    last: date | None = None,
) -> Listing:
    """Return the statement for a site's forecasts, and its order."""
    statement = select(DemandForecast).where(col(DemandForecast.site_id) == site_id)
    if product_id is not None:
        statement = statement.where(col(DemandForecast.product_id) == product_id)
    if customer_id is not None:
        statement = statement.where(col(DemandForecast.customer_id) == customer_id)
    if first is not None:
        statement = statement.where(col(DemandForecast.day) >= first)
    if last is not None:
        statement = statement.where(col(DemandForecast.day) <= last)
    return statement, [col(DemandForecast.id)]


def forecast_rows(
    session: Session, site_id: int, first: date, last: date, product_ids: Collection[int] | None = None
) -> list[tuple[int, int, int | None, date, int]]:
    """Return (id, product, customer, day, cases) of the forecasts for first…last."""
    statement: Select[*tuple[Any, ...]] = select(
        col(DemandForecast.id),
        col(DemandForecast.product_id),
        col(DemandForecast.customer_id),
        col(DemandForecast.day),
        col(DemandForecast.cases),
    ).where(
        col(DemandForecast.site_id) == site_id,
        col(DemandForecast.day) >= first,
        col(DemandForecast.day) <= last,
    )
    if product_ids is None:
        return [tuple(row) for row in session.execute(statement)]
    return [
        tuple(row)
        for ids in parts(product_ids)
        for row in session.execute(statement.where(col(DemandForecast.product_id).in_(ids)))
    ]


def forecast_versions(
    session: Session, site_id: int, first: date, last: date, product_ids: Collection[int]
) -> list[tuple[int, int | None, date, int, datetime]]:
    """Return (product, customer, day, cases, entered at) of all ever said of first…last, as entered."""
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(ForecastVersion.product_id),
            col(ForecastVersion.customer_id),
            col(ForecastVersion.day),
            col(ForecastVersion.cases),
            col(ForecastVersion.entered_at),
        )
        .where(col(ForecastVersion.site_id) == site_id)
        .where(col(ForecastVersion.day) >= first, col(ForecastVersion.day) <= last)
        .order_by(col(ForecastVersion.entered_at), col(ForecastVersion.id))
    )
    return [
        tuple(row)
        for ids in parts(product_ids)
        for row in session.execute(statement.where(col(ForecastVersion.product_id).in_(ids)))
    ]


def wanted_lines(session: Session, site_id: int, first: date, last: date) -> list[Wanted]:
    """Return the lines of orders to be delivered on first…last, and overdue ones that still wait."""
    waiting = (OrderState.OPEN, OrderState.ALLOCATED, OrderState.PICKED)
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(OrderLine.product_id),
            col(SalesOrder.customer_id),
            col(SalesOrder.deliver_on),
            col(OrderLine.cases),
            col(OrderLine.id),
            col(SalesOrder.state) == OrderState.DEPARTED,
            col(SalesOrder.placed_at),
        )
        .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.state) != OrderState.CANCELLED)
        .where((col(SalesOrder.deliver_on) >= first) | col(SalesOrder.state).in_(waiting))
        .where(col(SalesOrder.deliver_on) <= last, col(OrderLine.cases) > 0)
    )
    return [Wanted(*row) for row in session.execute(statement)]


def ordered_by_day(
    session: Session,
    site_id: int,
    first: date,
    last: date,
    product_ids: Collection[int] | None = None,
) -> list[tuple[int, int, date, int]]:
    """Return (product, customer, day of delivery, cases ordered) for first…last, cancelled orders apart."""
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(OrderLine.product_id),
            col(SalesOrder.customer_id),
            col(SalesOrder.deliver_on),
            func.sum(col(OrderLine.cases)),
        )
        .join(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.state) != OrderState.CANCELLED)
        .where(col(SalesOrder.deliver_on) >= first, col(SalesOrder.deliver_on) <= last)
        .group_by(col(OrderLine.product_id), col(SalesOrder.customer_id), col(SalesOrder.deliver_on))
    )
    if product_ids is None:
        return [(row[0], row[1], row[2], int(row[3])) for row in session.execute(statement)]
    return [
        (row[0], row[1], row[2], int(row[3]))
        for ids in parts(product_ids)
        for row in session.execute(statement.where(col(OrderLine.product_id).in_(ids)))
    ]


def first_delivery(session: Session, site_id: int) -> date | None:
    """Return the first day anything was to be delivered on."""
    return session.scalar(
        select(func.min(col(SalesOrder.deliver_on))).where(
            col(SalesOrder.site_id) == site_id, col(SalesOrder.state) != OrderState.CANCELLED
        )
    )


def last_order_day(session: Session, site_id: int) -> date | None:
    """Return the last day anything is to be delivered on."""
    return session.scalar(
        select(func.max(col(SalesOrder.deliver_on))).where(
            col(SalesOrder.site_id) == site_id, col(SalesOrder.state) != OrderState.CANCELLED
        )
    )


def rules_of_customers(session: Session, site_id: int) -> dict[tuple[int, int | None], Rules]:
    """Return each customer's rules, by (customer, None), and those of pairs that have their own."""
    found: dict[tuple[int, int | None], Rules] = {}
    for customer in session.scalars(select(Customer).where(col(Customer.site_id) == site_id)):
        found[customer.id, None] = Rules(
            customer.min_life_days,
            customer.min_life_fraction,
            customer.no_backward_date,
            customer.max_lots_per_line,
        )
    for rule in session.scalars(select(CustomerRule).where(col(CustomerRule.site_id) == site_id)):
        whole = found[rule.customer_id, None]
        found[rule.customer_id, rule.product_id] = Rules(
            whole.min_life_days if rule.min_life_days is None else rule.min_life_days,
            whole.min_life_fraction if rule.min_life_fraction is None else rule.min_life_fraction,
            whole.no_backward_date if rule.no_backward_date is None else rule.no_backward_date,
            whole.max_lots if rule.max_lots_per_line is None else rule.max_lots_per_line,
        )
    return found
