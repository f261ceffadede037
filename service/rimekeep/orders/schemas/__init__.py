"""Requests and responses about customers and orders."""

from datetime import date
from typing import Annotated

from pydantic import AfterValidator, Field, StringConstraints

from rimekeep.platform.schemas import Body, Cases, Code, Id, Instant, Name, Text, View, no_nul

LifeDays = Annotated[int, Field(ge=0, le=3650, strict=True)]
# Days outside this range are slips of the pen.
Day = Annotated[date, Field(ge=date(2000, 1, 1), le=date(2199, 12, 31), examples=["2026-03-17"])]
LifeFraction = Annotated[float, Field(ge=0, le=1, strict=True, examples=[0.67])]
FRACTION_WORDS = (
    "Share of the lot's whole life, from packaging to the printed date, that must be left on the day of "
    "delivery; with days given too, the stricter holds."
)
LotCap = Annotated[int, Field(ge=1, le=1000, strict=True)]
Reference = Annotated[
    str,
    StringConstraints(max_length=120),
    AfterValidator(no_nul),
    Field(description="The number the customer knows the order by.", examples=["4500123456"]),
]
Priority = Annotated[int, Field(ge=-1000, le=1000, strict=True, description="A higher one is served first.")]


class CustomerIn(Body):
    """A new customer and their rules."""

    code: Code
    name: Name
    contact: Text = Field("", description="Whom to call, for deliveries and recalls.")
    phone: Text = Field("", description="Number they are reached under.", examples=["+44 1632 960001"])
    mail: Text = Field("", description="Address they are written to.", examples=["orders@example.com"])
    address: Text = ""
    min_life_days: LifeDays = Field(0, description="Days of life that must be left on the day of delivery.")
    min_life_fraction: LifeFraction | None = Field(None, description=FRACTION_WORDS)
    no_backward_date: bool = Field(False, description="Never an older printed date than delivered last.")
    max_lots_per_line: LotCap | None = Field(
        None, description="Most different lots on one line; null: any number."
    )


class CustomerOut(View):
    """A customer."""

    id: int
    code: str
    name: str
    contact: str
    phone: str
    mail: str
    address: str
    min_life_days: int
    min_life_fraction: float | None
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
    min_life_fraction: LifeFraction | None = Field(None, description="Instead of the customer's own rule.")


class OrderIn(Body):
    """A new order."""

    code: Code
    customer_id: Id
    ship_on: Day
    deliver_on: Day = Field(description="The ship day or later.")
    priority: Priority = 0
    drop_id: Id | None = Field(
        None, description="One of the customer's places; null: the customer's own address."
    )
    external_reference: Reference = ""
    lines: list[LineIn] = Field(min_length=1, max_length=1000)


class OrderOut(View):
    """An order without its lines."""

    id: int
    code: str
    customer_id: int
    ship_on: date
    deliver_on: date
    priority: int
    drop_id: int | None
    external_reference: str
    state: str
    placed_at: Instant


class LineOut(View):
    """One line of an order."""

    id: int
    line_no: int
    product_id: int
    cases: int
    min_life_days: int | None
    min_life_fraction: float | None


class PlacedOrderOut(OrderOut):
    """An order with its lines."""

    lines: list[LineOut]
