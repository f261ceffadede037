"""Requests and responses about ageing and life."""

from typing import Annotated

from pydantic import Field, StringConstraints

from rimekeep.platform.schemas import Body, Celsius, Id, Instant, Reason, Text, View


class RouteIn(Body):
    """One way a beer goes off, by Arrhenius' law."""

    name: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9 _-]{0,39}$")] = Field(examples=["staling"])
    reference_c: float = Field(
        ge=-60, le=120, description="Where the reference life holds. [°C]", examples=[20]
    )
    reference_life_days: float = Field(
        gt=0, le=36_500, description="Life held constantly at `reference_c`. [days]", examples=[120]
    )
    activation_kj_mol: float = Field(
        ge=0, le=1000, description="Activation energy. [kJ/mol]", examples=[101.8]
    )
    source: Text = Field("", description="Where the figures come from.")


class ProfileIn(Body):
    """A new version of how a product ages."""

    tau_h: float = Field(
        ge=0, le=1000, description="Time constant of the core behind the air. [h]", examples=[12]
    )
    planned_c: Celsius = Field(description="Where it is kept from now on. [°C]", examples=[4])
    freezing_minutes: int = Field(
        60, ge=0, le=10_080, description="Core below its freezing point for so long puts it on hold. [min]"
    )
    routes: list[RouteIn] = Field(min_length=1, max_length=8)
    reason: Reason


class RouteOut(View):
    """One way a beer goes off."""

    name: str
    reference_c: float
    reference_life_days: float
    activation_kj_mol: float
    source: str = ""


class ProfileOut(View):
    """A version of how a product ages."""

    id: int
    product_id: int
    version: int
    tau_h: float
    planned_c: float
    freezing_c: float
    freezing_minutes: int
    routes: list[RouteOut]
    reason: str
    author_id: int | None
    created_at: Instant


class RefreshIn(Body):
    """What to refresh."""

    content_ids: list[Id] | None = Field(None, max_length=10_000, description="Null: all stock that is here.")
    use_newest_profiles: bool = Field(
        False, description="Age by the newest profiles from now on, what was aged by older ones too."
    )


class RefreshedOut(View):
    """What a refresh did."""

    units: int = Field(description="Units looked at.")
    changed: int = Field(
        description="Rows written: the end moved by more than an hour, or its cause changed."
    )
    frozen: int = Field(description="Units newly found to have been frozen, and put on hold.")


class PackOut(View):
    """Cases that share a life."""

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    sku: str
    cases: int
    stored_expires_at: Instant = Field(description="What picking goes by until the next refresh.")
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
    limited_by: str = Field(description="The route of ageing that ends it first, or `best before`.")
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
    lives: list[LifeOut]
