"""Requests and responses about forecasts."""

from datetime import date
from typing import Annotated

from pydantic import Field

from rimekeep.orders.core.forecasts import Given
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Id, Instant, View

Day = Annotated[date, Field(ge=date(2000, 1, 1), le=date(2199, 12, 31), examples=["2026-03-17"])]


class ForecastIn(Body):
    """Cases expected to be delivered on one day."""

    product_id: Id
    customer_id: Id | None = Field(
        None, description="Null: nobody in particular, who asks for no life beyond the day."
    )
    day: Day = Field(description="Day of delivery.")
    cases: int = Field(ge=0, le=1_000_000, strict=True, description="All of that day, ordered or not yet.")


class ForecastsIn(Body):
    """A batch of forecasts; a newer word on the same day takes the place of the older."""

    forecasts: list[ForecastIn] = Field(min_length=1, max_length=5000)


class GivenOut(View):
    """What became of one row."""

    index: int
    outcome: Given
    detail: Worded
    mend: Worded


class ForecastsOut(View):
    """What became of a batch, row by row."""

    stored: int
    replaced: int
    unchanged: int
    refused: int
    items: list[GivenOut]


class ForecastOut(View):
    """A forecast as it is held."""

    id: int
    product_id: int
    customer_id: int | None
    day: date
    cases: int
    given_at: Instant
