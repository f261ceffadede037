"""Requests and responses about how products age."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from rimekeep.platform.schemas import Body, Celsius, Instant, Reason, Text, View
from rimekeep.shelflife.core.laws import Form

RouteName = Annotated[
    str, StringConstraints(pattern=r"^[a-z][a-z0-9 _-]{0,39}$"), Field(examples=["staling"])
]
ReferenceC = Annotated[
    float, Field(ge=-60, le=120, description="Where the reference life holds. [°C]", examples=[20])
]
Source = Annotated[
    Text,
    StringConstraints(min_length=3),
    Field(
        description='Where the figures come from; "from memory" and "common practice, no source" are '
        "sources too.",
        examples=["forced ageing, spring 2026"],
    ),
]


class RouteIn(Body):
    """One way a beer goes off: a life at a reference temperature, and how temperature changes it."""

    form: Form = Field(
        Form.ARRHENIUS,
        description="Arrhenius' law with `activation_kj_mol`; a constant Q10 with `q10` (over a wide range "
        "not Arrhenius); square-root growth of spoilers with `t_min_c`.",
    )
    name: RouteName
    reference_c: ReferenceC
    reference_life_days: float = Field(
        ge=1e-6, le=36_500, description="Life held constantly at `reference_c`. [days]", examples=[120]
    )
    activation_kj_mol: float | None = Field(
        None, ge=0, le=1000, description="Activation energy. [kJ/mol]", examples=[101.8]
    )
    q10: float | None = Field(None, gt=0, le=100, description="Rate ratio per 10 °C. [-]")
    t_min_c: float | None = Field(None, ge=-60, lt=120, description="Below it nothing grows. [°C]")
    life_sd_days: float | None = Field(
        None, ge=0, le=36_500, description="Standard deviation of the reference life; null: unknown. [days]"
    )
    parameter_sd: float | None = Field(
        None, ge=0, le=1000, description="Standard deviation of the form's own parameter; null: unknown."
    )
    correlation: float = Field(0, ge=-1, le=1, description="Between that life and that parameter.")
    source: Source


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
    oxygen_ref_ppb: float | None = Field(
        None, gt=0, le=100_000, description="Total oxygen at packaging at which the lives hold. [µg/L]"
    )
    oxygen_exponent: float = Field(
        0,
        ge=0,
        le=5,
        description="Lives scale by (oxygen_ref_ppb / the lot's oxygen) to this power; 0: oxygen is left "
        "out. No published law gives a figure.",
    )
    reason: Reason


class RouteOut(View):
    """One way a beer goes off."""

    form: Form = Form.ARRHENIUS
    name: str
    reference_c: float
    reference_life_days: float
    activation_kj_mol: float | None = None
    q10: float | None = None
    t_min_c: float | None = None
    life_sd_days: float | None = None
    parameter_sd: float | None = None
    correlation: float = 0.0
    source: str = ""
    remarks: list[str] = Field([], description="What makes the calibration behind it thin.")


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
    oxygen_ref_ppb: float | None
    oxygen_exponent: float
    calibration_id: int | None = Field(description="The approved calibration that made this version.")
    reason: str
    author_id: int | None
    created_at: Instant
    limited_by: str | None = Field(description="The route that ends it first at `planned_c`.")
    life_at_planned_days: float | None = Field(description="Null: a century or more. [days]")
    life_sd_at_planned_days: float | None = Field(description="Null: a standard deviation is missing. [days]")
    least_known: str | None = Field(description="The figure from which most of that uncertainty comes.")
    remarks: list[str] = Field(description="What is missing or thin.")


class PublishedOut(View):
    """A published ratio of ageing at 37 °C to ageing at 4 °C."""

    what: str
    ratio: float
    source: str


class ThumbOut(View):
    """A step of the 3-30-300 rule beside the route."""

    warm_c: float
    cold_c: float
    rule_ratio: float
    route_ratio: float | None


class PlausibilityOut(View):
    """Where a route lies among published ratios of ageing at 37 and 4 °C: a word, no verdict."""

    route: str
    text: str
    ratio: float | None = Field(description="Null: it does not age at 4 °C.")
    place: Literal["below", "within", "above"]
    lowest: PublishedOut
    highest: PublishedOut
    nearest: PublishedOut | None
    thumb: list[ThumbOut]
    thumb_source: str


class ProfileDetailOut(ProfileOut):
    """A version of how a product ages, beside what was published."""

    plausibility: list[PlausibilityOut]


class KeepingOut(View):
    """How long one route lets it keep."""

    route: str
    days: float | None = Field(description="Null: a century or more. [days]")
    sd_days: float | None = Field(description="Null: a standard deviation is missing. [days]")


class LifeAtOut(View):
    """Life at one constant temperature."""

    temp_c: float
    limited_by: str | None
    days: float | None
    sd_days: float | None
    routes: list[KeepingOut]


class RatesOut(View):
    """Life over temperature, for a plot."""

    product_id: int
    version: int
    rows: list[LifeAtOut] = Field(description="A row a degree, coldest first.")
