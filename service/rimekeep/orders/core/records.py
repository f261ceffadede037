"""What orders tell other features."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class NewLine:
    """A line of an order about to be placed; ``min_life_days`` None: the customer's own rule."""

    line_no: int
    product_id: int
    cases: int
    min_life_days: int | None = None


@dataclass(frozen=True, slots=True)
class OpenLine:
    """
    One line with everything its customer's rules say.

    ``min_life_days`` is the line's own figure or else the customer's; ``last_printed_on`` the newest printed
    date this customer was delivered of the product, None when the customer takes older dates too or got none.
    """

    line_id: int
    line_no: int
    order_id: int
    order_code: str
    order_state: str
    customer_id: int
    customer_code: str
    product_id: int
    sku: str
    cases: int
    ship_on: date
    deliver_on: date
    priority: int
    min_life_days: int
    max_lots: int | None
    no_backward_date: bool
    last_printed_on: date | None
