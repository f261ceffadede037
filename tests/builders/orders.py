"""Customers and orders with sensible, invented facts."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import count
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.orders import usecases
from rimekeep.orders.core.records import NewLine
from rimekeep.orders.tables import Customer, SalesOrder

_numbers = count(1)


def make_customer(session: Session, now: datetime, caller: Caller, **overrides: Any) -> Customer:
    """A customer without rules."""
    number = next(_numbers)
    facts: dict[str, Any] = {"code": f"C{number}", "name": f"Invented inn {number}"}
    return usecases.register_customer(session, now, caller, **{**facts, **overrides})


def make_order(
    session: Session,
    now: datetime,
    caller: Caller,
    wanted: dict[int, int],
    customer: Customer | None = None,
    **overrides: Any,
) -> SalesOrder:
    """An order of cases by product id that ships and is delivered tomorrow."""
    tomorrow: date = (now + timedelta(days=1)).date()
    facts: dict[str, Any] = {
        "code": f"SO-{next(_numbers)}",
        "customer_id": (customer or make_customer(session, now, caller)).id,
        "ship_on": tomorrow,
        "deliver_on": tomorrow,
        "lines": [
            NewLine(number, product_id, cases) for number, (product_id, cases) in enumerate(wanted.items(), 1)
        ],
    }
    return usecases.place_order(session, now, caller, **{**facts, **overrides})
