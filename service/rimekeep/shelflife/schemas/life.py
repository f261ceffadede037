"""Requests and responses about the life that is left."""

from pydantic import Field

from rimekeep.access.core.promises import PromisesBy
from rimekeep.platform.schemas import Body, Instant, Reason, View


class RefreshIn(Body):
    """How to refresh."""

    from_scratch: bool = Field(
        False,
        description="Forget all that was reckoned and follow every pack from its first reading on: slow, and "
        "with the same outcome.",
    )


class RefreshedOut(View):
    """What a refresh did."""

    looked_at: int = Field(description="Packs looked at one by one; all others moved with their room.")
    changed: int = Field(
        description="Rows written: the end moved by more than an hour, or its cause changed."
    )
    frozen: int = Field(description="Units newly found to have been frozen, and put on hold.")


class ReAgeIn(Body):
    """Age a product's stock anew."""

    reason: Reason
    is_preview: bool = Field(True, description="Only tell what would move.")


class MovedOut(View):
    """How far one pack's date moves."""

    content_id: int
    before_at: Instant
    after_at: Instant
    limited_by: str


class ReAgedOut(View):
    """What a product's newest profile does to its stock."""

    version: int
    looked_at: int = Field(description="Packs of the product that age here.")
    moved: int = Field(description="Of those, whose end moves by more than an hour.")
    mean_days: float = Field(description="Mean move of those; below zero: sooner.")
    soonest_days: float
    latest_days: float
    most_moved: list[MovedOut] = Field(description="The twenty that move most.")


class PackOut(View):
    """Cases that share a life."""

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    sku: str
    cases: int
    stored_expires_at: Instant = Field(description="What stock is sorted by until the next refresh.")
    stored_promised_at: Instant = Field(
        description="What customers are promised by until the next refresh: that, or the cautious date."
    )
    stored_as_of_at: Instant | None = Field(
        description="When that was written; null before the first refresh."
    )


class LegOut(View):
    """A stay in one room."""

    zone_id: int
    zone_code: str
    from_at: Instant
    until_at: Instant
    sensors: list[str]
    bridged_s: int = Field(description="Seconds of it nobody measured.")
    is_assumed: bool = Field(description="Nothing was ever measured here: the planned temperature stands in.")


class CurvePointOut(View):
    """One instant."""

    at: Instant
    air_c: float
    core_c: float
    used: dict[str, float]


class LifeOut(View):
    """One life, as the readings held now have it, and the cases that share it."""

    expires_at: Instant
    cautious_at: Instant = Field(description="One pack in ten ends before this, as far as is known.")
    limited_by: str = Field(description="The route of ageing that ends it first, or `best before`.")
    remarks: list[str] = Field(description="Where the calibration is too thin for the dates to be trusted.")
    used: dict[str, float] = Field(description="Share of life used, by route; 1 is the end.")
    core_c: float | None
    bridged_s: int
    frozen_at: Instant | None = Field(description="When its core had been frozen for the profile's minutes.")
    profile_id: int | None
    profile_version: int | None
    planned_c: float | None = Field(description="Air it is projected at.")
    start_core_c: float | None
    packs: list[PackOut]
    legs: list[LegOut]
    curve: list[CurvePointOut] = Field(description="At most 200 points.")


class LivesOut(View):
    """The lives of a unit or lot; cases with one history stand together."""

    as_of_at: Instant
    promises_by: PromisesBy = Field(
        description="What this site promises customers by: median, `expires_at`, or cautious, `cautious_at`."
    )
    lives: list[LifeOut]
