"""Requests and responses about deliveries and the cold of a trip."""

from typing import Annotated

from pydantic import Field

from rimekeep.loading.core.states import Empty
from rimekeep.loading.schemas.plans import DeliveryOut, LoadStateOut, Sscc, ViolationOut
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Code, Id, Instant, Reason, Text, View


class RestOut(View):
    """How the rest of a trip stands."""

    lines: list[Worded] = Field(description="What the driver does; empty when nothing was refused.")
    violations: list[ViolationOut] = Field(description="Rules the rest of the trip would break.")
    states: list[LoadStateOut] = Field(description="Weights from here on; the first is now.")


class RefusalOut(View):
    """Cases refused at a drop."""

    drop: int
    sscc: str
    refused_sscc: str = Field(description="The unit that rides along; the same when all of it was refused.")
    cases: int
    reason: str


class EmptiesOut(View):
    """Empties taken back at a drop."""

    drop: int
    kind: Empty
    pieces: int
    mass_kg: float | None
    places: int | None


class RidingOut(View):
    """Where empties stand: places of a row along the right wall."""

    row: int = Field(description="From 0 at the front wall.")
    places: int
    mass_kg: float


class TakenOut(View):
    """Empties taken back, judged with all that is on board."""

    kind: Empty
    pieces: int
    mass_kg: float = Field(description="As reported, else as announced, else 0; see `is_weighed`.")
    places: int
    is_weighed: bool = Field(description="False: nobody said what they weigh, and nothing was reckoned.")
    riding: list[RidingOut]
    most_pieces: int | None = Field(
        description="With no more of them, the rest as reported, every limit is kept to the end. Null: all "
        "may ride; 0: leave them."
    )


class CorrectionOut(View):
    """A report of a drop's empties that was corrected."""

    drop: int
    reason: str
    corrected_at: Instant
    corrected_by: Id
    was: list[EmptiesOut] = Field(description="What had been reported until then.")


class CorrectedOut(View):
    """Empties of a drop as they are said now, and what that means for the rest of the trip."""

    drop: int
    empties: list[TakenOut]
    to_do: list[Worded] = Field(description="What the driver does now; caution where it can hurt.")


class DeliveredOut(DeliveryOut):
    """A drop handed over, and what it means for the rest of the trip."""

    empties: list[TakenOut]
    to_do: list[Worded] = Field(description="What the driver does now; caution where it can hurt.")


class DropsOut(View):
    """What was refused and taken back on a trip."""

    refusals: list[RefusalOut]
    empties: list[EmptiesOut] = Field(description="As they were said last.")
    corrections: list[CorrectionOut] = Field(description="What was said of them before, and why it changed.")
    rest: RestOut


class DeliverIn(Body):
    """A drop handed over."""

    at: Instant | None = Field(None, description="When it left the vehicle; may be past. Default: now.")
    note: Text = Field("", description="What the driver or the customer had to say; stays on record.")
    refused: list[Sscc] = Field(
        [], max_length=200, description="SSCCs the customer would not take; they ride along until the end."
    )
    refusals: list["RefusalIn"] = Field(
        [], max_length=200, description="The same with reasons, and cases where a unit was taken in part."
    )
    empties: list["EmptiesIn"] = Field([], max_length=20, description="Empties taken back.")


class RefusalIn(Body):
    """What a customer would not take of a unit."""

    sscc: Sscc
    cases: Annotated[int, Field(ge=1, le=1_000_000, strict=True)] | None = Field(
        None, description="How many of its cases; null: the unit as it stands."
    )
    lot: Code | None = Field(None, description="Of which lot, where the unit carries several.")
    reason: Reason


class EmptiesIn(Body):
    """Empties taken back."""

    kind: Empty
    pieces: Annotated[int, Field(ge=1, le=100_000, strict=True)]
    mass_kg: Annotated[float, Field(ge=0, le=100_000)] | None = Field(None, description="Of all of them.")
    places: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = Field(
        None, description="Pallet places they take on the deck; null: as announced, else one."
    )


class CorrectEmptiesIn(Body):
    """What empties were really taken back at a drop."""

    empties: list[EmptiesIn] = Field(max_length=20, description="All of them; empty: none were taken back.")
    reason: Reason


class ReturnRuleIn(Body):
    """What goods that come back need to be sold again without QA's word."""

    min_life_days: Annotated[float, Field(ge=0, le=3650)]
    most_unmeasured_s: Annotated[int, Field(ge=0, le=31_536_000, strict=True)] = Field(
        description="Longest time on the trip nobody measured the air."
    )


class ReturnRuleOut(View):
    """What goods that come back need to be sold again without QA's word."""

    min_life_days: float
    most_unmeasured_s: int
    set_at: Instant | None = Field(description="Null: nobody set it; what holds everywhere is shown.")
    set_by: int | None


class EndIn(Body):
    """A trip that is over."""

    at: Instant | None = Field(None, description="When it was back; may be past. Default: now.")
    zone_id: Id | None = Field(
        None, description="Room of the store what is on board comes back into; needed when anything is."
    )
    note: Text = ""


class StretchOut(View):
    """A stretch of time."""

    from_at: Instant
    until_at: Instant


class AirStepOut(View):
    """Air in one step."""

    at: Instant
    min_c: float
    mean_c: float
    max_c: float
    bridged_s: int = Field(description="How long nobody measured.")
    thinned_s: int = Field(description="How much is known by the figures of hours only.")


class CarryOut(View):
    """The trip's air against the range everything on board may travel at, its ends included."""

    carry_min_c: float
    carry_max_c: float
    readings: int
    min_c: float | None
    min_at: Instant | None
    max_c: float | None
    max_at: Instant | None
    mean_kinetic_temperature_c: float | None = Field(
        description="USP <1160>: activation energy 83.144 kJ/mol, over bridged time too; null unmeasured."
    )
    outside_s: float = Field(description="Time outside, each reading counted until the next.")
    above_s: float
    below_s: float
    longest_above_s: float
    longest_below_s: float
    bridged_s: float = Field(description="Time nobody measured; neither inside nor outside.")


class TripExcursionOut(View):
    """What went wrong with the cold on the way; `…/excursions/{id}/report` has the rest."""

    id: int
    kind: str
    severity: str
    started_at: Instant
    ended_at: Instant | None
    limit_c: float | None
    peak_c: float | None


class ContentColdOut(View):
    """What the trip did to cases of one lot; nulls for a product without an ageing profile."""

    content_id: int
    lot_code: str
    sku: str
    cases: int
    used: dict[str, float] | None = Field(description="Share of life used on the trip, by route of ageing.")
    used_until: dict[str, float] | None = Field(description="Share used in all, when it left the vehicle.")
    days_used: float | None = Field(
        description="Life used on the trip in days at the planned temperature, on the route where it is most."
    )
    life_lost_days: float | None = Field(
        description="Against a vehicle at its planned temperature, the core's way back included."
    )
    core_from_c: float | None = Field(description="Core when it was loaded.")
    core_until_c: float | None = Field(description="Core when it left the vehicle, or now. [°C]")
    core_min_c: float | None = Field(description="Least core on the trip, at its readings.")
    core_max_c: float | None
    bridged_s: int | None


class UnitColdOut(View):
    """A unit's time on board."""

    sscc: str
    order_code: str
    fate: str | None
    loaded_at: Instant
    until_at: Instant
    contents: list[ContentColdOut]


class DropColdOut(View):
    """One drop of a trip."""

    drop: int
    customer: str
    customer_name: str
    delivered_at: Instant | None
    note: str
    core_min_c: float | None = Field(description="Coldest core as it left the vehicle, or now. [°C]")
    core_max_c: float | None
    units: list[UnitColdOut]


class TripColdOut(View):
    """The cold of a trip, from the first unit loaded to the last one off."""

    trip_id: int
    vehicle_code: str
    zone_id: int
    from_at: Instant
    departed_at: Instant | None
    until_at: Instant = Field(description="Now, while goods are on board.")
    is_over: bool
    planned_c: float
    step_s: int
    sensors: list[str]
    is_assumed: bool = Field(description="No reading at all: everything rests on the planned temperature.")
    thinned_until: Instant | None
    bridged: list[StretchOut]
    steps: list[AirStepOut]
    figures: CarryOut
    excursions: list[TripExcursionOut]
    drops: list[DropColdOut]
    cautions: list[Worded]
