"""Requests and responses about customers and orders."""

from datetime import date
from typing import Annotated

from pydantic import Field

from rimekeep.platform.schemas import Body, Cases, Code, Id, Instant, Name, Text, View

LifeDays = Annotated[int, Field(ge=0, le=3650, strict=True)]
# Days outside this range are slips of the pen.
Day = Annotated[date, Field(ge=date(2000, 1, 1), le=date(2199, 12, 31), examples=["2026-03-17"])]
Priority = Annotated[int, Field(ge=-1000, le=1000, strict=True, description="A higher one is served first.")]


class CustomerIn(Body):
    """A new customer and their rules."""

    code: Code
    name: Name
    contact: Text = Field("", description="Whom to call, for deliveries and recalls.")
    address: Text = ""
    min_life_days: LifeDays = Field(0, description="Days of life that must be left on the day of delivery.")
    no_backward_date: bool = Field(False, description="Never an older printed date than delivered last.")
    max_lots_per_line: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = Field(
        None, description="Most different lots on one line; null: any number."
    )


class CustomerOut(View):
    """A customer."""

    id: int
    code: str
    name: str
    contact: str
    address: str
    min_life_days: int
    no_backward_date: bool
    max_lots_per_line: int | None


class LineIn(Body):
    """One product of a new order."""

    line_no: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = Field(
        None, description="Its number on the customer's paper; null: its place in the list."
    )
    product_id: Id
    cases: Cases
    min_life_days: LifeDays | None = Field(None, description="Instead of the customer's own rule.")


class OrderIn(Body):
    """A new order."""

    code: Code
    customer_id: Id
    ship_on: Day
    deliver_on: Day = Field(description="The ship day or later.")
    priority: Priority = 0
    lines: list[LineIn] = Field(min_length=1, max_length=1000)


class OrderOut(View):
    """An order without its lines."""

    id: int
    code: str
    customer_id: int
    ship_on: date
    deliver_on: date
    priority: int
    state: str
    placed_at: Instant


class LineOut(View):
    """One line of an order."""

    id: int
    line_no: int
    product_id: int
    cases: int
    min_life_days: int | None


class PlacedOrderOut(OrderOut):
    """An order with its lines."""

    lines: list[LineOut]
