"""Requests and responses about plans made for units."""

from pydantic import Field

from rimekeep.access.core.promises import PromisesBy
from rimekeep.platform.schemas import Body, Celsius, Instant, View


class LegIn(Body):
    """So many hours in air of one temperature."""

    hours: float = Field(gt=0, le=8_760, description="[h]", examples=[6])
    temp_c: Celsius = Field(description="Air there. [°C]", examples=[4])


class WayIn(Body):
    """A way that begins now: as store, staging, trip, shelf."""

    legs: list[LegIn] = Field(min_length=1, max_length=50)


class ProjectedOut(View):
    """Cases on a unit after the way; ends are those if they are kept as planned from then on."""

    content_id: int
    lot_id: int
    at: Instant = Field(description="End of the way.")
    used: dict[str, float] = Field(description="Share of life used by then, by route; 1 is the end.")
    core_c: float
    expires_at: Instant
    cautious_at: Instant = Field(description="One pack in ten ends before this, as far as is known.")
    limited_by: str
    days_left: float = Field(description="From the end of the way; below zero when it would be over by then.")
    cautious_days_left: float
    expires_now_at: Instant = Field(description="When it ends if it is kept as planned from now on.")
    cost_days: float = Field(description="What the way costs against that.")
    remarks: list[str] = Field(description="Where the calibration is too thin for the dates to be trusted.")


class ProjectionOut(View):
    """What is left of a unit after a planned way."""

    as_of_at: Instant
    promises_by: PromisesBy = Field(
        description="What this site promises customers by: median, `expires_at`, or cautious, `cautious_at`."
    )
    contents: list[ProjectedOut]


class MayWaitOut(View):
    """How long cases may wait; null: not within four weeks, or not asked."""

    content_id: int
    lot_id: int
    core_c: float = Field(description="Core now. [°C]")
    core_h: float | None = Field(description="Until the core reaches its limit. [h]")
    life_h: float | None = Field(description="Until the wait has cost the days of life allowed. [h]")
    hours: float | None = Field(description="The shorter of the two. [h]")


class WaitingOut(View):
    """How long a unit may wait."""

    as_of_at: Instant
    hours: float | None = Field(description="The shortest of its contents. [h]")
    contents: list[MayWaitOut]
