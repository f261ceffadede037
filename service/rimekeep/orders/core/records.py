"""What orders tell other features."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True)
class NewLine:
    """A line of an order about to be placed; ``min_life_days`` None: the customer's own rule."""

    line_no: int
    product_id: int
    cases: int
    min_life_days: int | None = None
    min_life_fraction: float | None = None


@dataclass(frozen=True, slots=True)
class NewOrder:
    """An order about to be placed, already checked."""

    code: str
    customer_id: int
    ship_on: date
    deliver_on: date
    priority: int
    lines: Sequence[NewLine]
    drop_id: int | None = None
    external_reference: str = ""


@dataclass(frozen=True, slots=True)
class LineChange:
    """
    What is to be different about one line, told by its number; no cases take it off the order.

    A number the order does not have yet adds a line, which needs a product and cases. ``told`` names the
    fields that are said at all.
    """

    line_no: int
    product_id: int | None = None
    cases: int | None = None
    min_life_days: int | None = None
    min_life_fraction: float | None = None
    told: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class OrderChange:
    """What is to be different about an order: only what is in ``head`` and ``lines`` changes."""

    head: dict[str, object] = field(default_factory=dict)
    lines: Sequence[LineChange] = ()


@dataclass(frozen=True, slots=True)
class OpenLine:
    """
    One line with everything its customer's rules say.

    ``min_life_days`` and the other rules are the line's own, else the customer's for this product, else the
    customer's for all; ``last_printed_on`` the newest printed
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
    min_life_fraction: float | None = None
