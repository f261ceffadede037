"""Requests and responses about temperatures at loading and the road ahead."""

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from rimekeep.loading.core.cautions import Situation, cautions
from rimekeep.loading.core.states import Measured
from rimekeep.platform.language import Worded, told_all
from rimekeep.platform.schemas import Body, Celsius, Instant, Reason, View

Scan = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200),
    Field(description="What the scanner read of the pallet's label: a GS1 element string or the SSCC."),
]
Probe = Annotated[
    str,
    StringConstraints(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._/-]*$"),
    Field(description="What it was taken with, as the probe's label says.", examples=["P-07"]),
]
Minutes = Annotated[float, Field(ge=0, le=2880)]
DoorSeconds = Annotated[float, Field(ge=0, le=86_400)]
OutsideCelsius = Annotated[float, Field(ge=-45, le=55)]
Percent = Annotated[float, Field(ge=0, le=100)]
Share = Annotated[float, Field(ge=0, le=1)]


def said(situation: Situation) -> Any:
    """Return the field that says what can hurt where somebody acts."""
    lines = list(cautions(situation))
    return Field(default_factory=lambda: told_all(lines), description="What can hurt here, and who decides.")


class TemperatureIn(Body):
    """A unit's temperature, taken before it goes on board."""

    scan: Scan
    kind: Measured = Field(description="core: between or within the goods; surface: of the package.")
    temp_c: Celsius
    probe: Probe
    at: Instant | None = Field(None, description="When; may be past. Default: now.")


class AcceptIn(Body):
    """Why a unit may go on board although it is too warm or too cold."""

    reason: Reason


class TemperatureOut(View):
    """A temperature taken at loading."""

    id: int
    trip_id: int
    unit_id: int
    kind: Measured
    temp_c: float
    probe: str
    carry_min_c: float
    carry_max_c: float
    is_in_range: bool
    may_load: bool = Field(description="In range, or accepted by QA; false: the unit is refused at the door.")
    measured_at: Instant
    measured_by: int
    accepted_at: Instant | None
    accepted_by: int | None
    accepted_reason: str


class LegIn(Body):
    """The way to one drop and the stop there; what is left out is as the site takes it."""

    drop: Annotated[int, Field(ge=1, le=1000, strict=True)]
    drive_minutes: Minutes | None = None
    stop_minutes: Minutes | None = None
    door_open_s: DoorSeconds | None = Field(
        None, description="How long of the stop its doors stand open; at most the stop counts."
    )


class AmbientIn(Body):
    """Outside air by the forecast; a point holds until the next one."""

    at: Instant
    temp_c: OutsideCelsius


class RoadIn(Body):
    """What is known of a trip's road; it takes the place of what was said before."""

    departs_at: Instant | None = None
    legs: list[LegIn] = Field([], max_length=1000)
    ambient: list[AmbientIn] = Field(
        [], max_length=500, description="Hourly, best from some hours before departure to the last drop."
    )
    humidity_pct: Percent | None = None
    body_start_c: Celsius | None = Field(
        None, description="The empty body before it is pre-cooled; null: as outside at departure."
    )
    is_precooled: bool = Field(True, description="False: loaded as it stands, at `body_start_c`.")


class RoadDefaultsIn(Body):
    """What the site takes where nobody said otherwise, all of it anew; null: as invented here."""

    departs_at_time: Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")] | None = (
        Field(None, description="By the site's clock.", examples=["05:30"])
    )
    drive_minutes: Minutes | None = Field(None, description="From drop to drop.")
    stop_minutes: Minutes | None = None
    door_open_s: DoorSeconds | None = None
    ambient_by_hour_c: Annotated[list[OutsideCelsius], Field(min_length=24, max_length=24)] | None = Field(
        None, description="Outside air from midnight on, by the site's clock."
    )
    humidity_pct: Percent | None = None
    flow_factor: Share | None = Field(None, description="Share of a door's full exchange reached on average.")
    curtain_share: Share | None = Field(None, description="Share a strip curtain keeps out.")
    goods_j_kgk: Annotated[float, Field(ge=500, le=6000)] | None = Field(
        None, description="Heat the goods hold, packages and all. [J/(kg K)]"
    )
    body_j_m2k: Annotated[float, Field(ge=500, le=100_000)] | None = Field(
        None, description="Heat the body's inside holds per m² of wall. [J/(m² K)]"
    )
    tau_h: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None, description="Time constant of goods without an ageing profile. [h]"
    )


class AssumedOut(View):
    """A value nobody gave for this trip."""

    name: str
    value: float | str | list[float]
    basis: str = Field(description="site: as the site takes it; invented: as built in; else in words.")


class RoadDefaultsOut(View):
    """What trips take where nobody said otherwise, and on what basis."""

    values: list[AssumedOut]


class ForecastLegOut(View):
    """One leg's balance, as means over the time the unit runs, and the air before the doors are opened."""

    drop: int
    from_at: Instant
    arrives_at: Instant
    waits_s: int = Field(0, description="With the doors shut, until goods are taken in; belongs to the leg.")
    outside_max_c: float
    walls_w: float
    doors_w: float = Field(description="From the stop before.")
    goods_w: float = Field(description="What goods give up; below zero: they take in.")
    behind_w: float = Field(description="To bring air and body down from where the leg began.")
    beside_w: float = Field(0.0, description="From the compartments beside, through bulkheads.")
    demand_w: float
    capacity_w: float
    margin_w: float = Field(description="Below zero: short. A mean; the air decides.")
    air_max_c: float
    air_end_c: float
    is_known: bool = Field(description="The unit's capacity is stated for such a day.")


class RemedyOut(View):
    """Something that would do; it was tried out in the balance."""

    kind: str
    text: Worded


class PrecoolOut(View):
    """What to set the unit to, and how long it takes to get there empty."""

    setpoint_c: float
    start_c: float
    minutes: int | None
    text: Worded


class ForecastContentOut(View):
    """Cases of one lot at their drop; ``used`` is null without an ageing profile."""

    content_id: int
    sscc: str
    order_id: int
    lot_code: str
    sku: str
    cases: int
    core_from_c: float = Field(description="Core now.")
    core_c: float = Field(description="Core at the drop.")
    used: dict[str, float] | None = Field(description="Share of life the trip uses up, by route of ageing.")
    days_used: float | None
    expires_at: Instant = Field(description="Modelled at the drop, kept as planned from then on.")
    limited_by: str
    days_left: int = Field(description="Whole days left on the day of delivery, as the site promises.")
    least_days: int = Field(description="What the customer wants.")
    spare_days: int = Field(description="Below zero: too short for this customer.")
    is_measured: bool = Field(
        False, description="The core rests on what was measured at loading, not on the air it stood in."
    )
    limit_c: float | None = Field(
        None, description="What its core may be at the drop: its own range, or what QA accepted at loading."
    )
    is_too_warm: bool = False
    compartment: int | None = Field(None, description="Where it stands, from 1; null: one air for all.")


class ColdDropOut(View):
    """What is expected at one drop."""

    drop: int
    customer: str
    arrives_at: Instant
    core_min_c: float
    core_max_c: float
    spare_days: int = Field(description="Days more than the customer wants, of the shortest-lived content.")
    is_life_enough: bool
    short: list[str]
    warm: list[str] = Field([], description="Goods whose core is above what it may be at the drop.")


class ForecastDropOut(ColdDropOut):
    """What is expected at one drop, content by content."""

    contents: list[ForecastContentOut]


class CompartmentColdOut(View):
    """One compartment's air in short."""

    number: int = Field(description="From 1 at the front wall.")
    first_row: int
    last_row: int
    verdict: str
    text: str
    setpoint_c: float
    carry_min_c: float
    carry_max_c: float
    precool: PrecoolOut
    hottest_leg: int | None


class CompartmentForecastOut(CompartmentColdOut):
    """One compartment's air leg by leg, until its last drop."""

    legs: list[ForecastLegOut]


class ColdSummaryOut(View):
    """A trip's forecast in short, as it was reckoned last."""

    reckoned_at: Instant
    verdict: str = Field(description="yes, no, or unknown: the vehicle's data do not tell.")
    text: Worded
    departs_at: Instant
    setpoint_c: float
    precool: PrecoolOut
    hottest_leg: int | None
    short_w: float | None = Field(
        description="Capacity that is missing; null: none, or no capacity would do."
    )
    is_life_enough: bool
    compartment: int | None = Field(
        None, description="Of a divided body: the compartment that decides, and whose figures these are."
    )
    compartments: list[CompartmentColdOut] = Field([], description="Each by itself; empty: one air.")
    drops: list[ColdDropOut]


class TripForecastOut(View):
    """What the road ahead does to a trip's cold. Advisory: the unit's maker and certificate decide."""

    reckoned_at: Instant
    departs_at: Instant
    verdict: str = Field(description="yes, no, or unknown: the vehicle's data do not tell.")
    text: Worded
    setpoint_c: float
    carry_min_c: float
    carry_max_c: float
    precool: PrecoolOut
    legs: list[ForecastLegOut]
    hottest_leg: int | None
    short_w: float | None = Field(
        description="Capacity that is missing; null: none, or no capacity would do."
    )
    remedies: list[RemedyOut]
    compartment: int | None = Field(
        None, description="Of a divided body: the compartment that decides, and whose figures these are."
    )
    compartments: list[CompartmentForecastOut] = Field([], description="Each by itself; empty: one air.")
    missing: list[str] = Field(description="Fields of the vehicle the balance lacks.")
    is_life_enough: bool
    drops: list[ForecastDropOut]
    assumed: list[AssumedOut]
    cautions: list[Worded]
