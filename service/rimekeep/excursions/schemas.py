"""Requests and responses about rules and excursions."""

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, SecretStr

from rimekeep.excursions.core.states import Severity, Word
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Celsius, Id, Instant, Name, Reason, Text, View

Band = Annotated[float, Field(ge=0, le=10)]
# Stored as null.
Guard = Annotated[
    float | Literal["sensor"], BeforeValidator(lambda stored: "sensor" if stored is None else stored)
]


class RuleIn(Body):
    """How long the air of a room may be how warm or cold."""

    zone_id: Id
    side: Literal["above", "below"] = Field(description="Which side of the limit is outside.")
    limit_c: Celsius = Field(description="The limit; it counts as outside itself.", examples=[8])
    kind: Literal["single", "cumulative"] = Field(
        "single",
        description="single: time outside starts anew once the air is back inside; cumulative: it adds up "
        "until QA starts a new count.",
    )
    allowed_s: int = Field(
        ge=0, le=2_592_000, description="Time outside that is allowed. [s]", examples=[1800]
    )
    hysteresis_c: Band = Field(
        0, description="It is over once the air is back inside by more than this. [K]", examples=[0.5]
    )
    guard_c: Band | Literal["sensor"] = Field(
        0,
        description="How far the limit is moved inwards; `sensor`: by the stated error of the sensor that "
        "speaks for the room. [K]",
        examples=["sensor"],
    )
    product_id: Id | None = Field(
        None, description="Only stock of this product counts as touched and is held; null: all of it."
    )
    severity: Severity = Severity.CRITICAL
    escalate_after_s: int | None = Field(
        1800,
        ge=60,
        le=604_800,
        description="How long people have to acknowledge before they are told again, and twice as long "
        "before the second time; null: never. Left out: 1800 for a critical rule, never for a warning. [s]",
    )
    holds_stock: bool = Field(
        False,
        description="Put the units that were there on hold. Units on the road cannot be: they are marked, QA "
        "decides about their lots, and what comes back is held.",
    )
    name: Name | None = None
    counts_from_at: Instant | None = Field(
        None, description="Start of a cumulative count; default: 14 days ago."
    )


class RuleOut(View):
    """A rule."""

    id: int
    zone_id: int
    name: str
    side: str
    limit_c: float
    kind: str
    allowed_s: int
    hysteresis_c: float
    guard_c: Guard
    product_id: int | None
    severity: str
    escalate_after_s: int | None
    holds_stock: bool
    is_active: bool
    counts_from_at: Instant


class AboardOut(View):
    """Cases on board for one drop."""

    drop: int
    customer: str
    customer_name: str
    units: int
    cases: int


class TripAboardOut(View):
    """What a vehicle carries now, or carried when its excursion ended."""

    trip_id: int
    vehicle: str
    is_over: bool = Field(description="Nothing is on board any more.")
    cases: int
    drops: list[AboardOut]


class ReasonIn(Body):
    """Why."""

    reason: Reason


class NoteIn(Body):
    """A note for the record."""

    note: Text = ""


class ExcursionOut(View):
    """Air outside a rule for longer than it allows, or sensors that cannot be relied on."""

    id: int
    zone_id: int
    zone_code: str
    trip_id: int | None = Field(description="In a vehicle: the trip it spoiled.")
    kind: str = Field(description="too_warm, too_cold, silent, disagree or calibration.")
    rule_id: int | None
    rule_name: str | None
    sensor_id: int | None
    other_sensor_id: int | None = Field(description="The second of two sensors that disagree.")
    severity: str
    started_at: Instant = Field(description="First reading outside, or the silent sensor's last one.")
    alarm_at: Instant = Field(description="When the allowed time was used up.")
    ended_at: Instant | None
    peak_c: float | None = Field(description="Of sensors that disagree, the greatest distance. [°C, K]")
    limit_c: float | None
    detected_at: Instant
    acknowledged_at: Instant | None
    acknowledged_by: int | None
    escalate_after_s: int | None
    escalation_level: int = Field(description="How often people were told again: 0, 1 or 2.")
    escalated_at: Instant | None
    merged_into_id: int | None = Field(
        description="Late readings showed it to be one failure with this one, which goes on for both."
    )


class TouchedOut(View):
    """Cases that were in the room meanwhile."""

    content_id: int
    unit_id: int
    sscc: str
    unit_state: str
    unit_qa_state: str
    lot_id: int
    lot_code: str
    lot_qa_state: str
    product_id: int
    sku: str
    cases: int
    from_at: Instant
    until_at: Instant
    life_lost_days: float | None = Field(
        description="Against air as the room is planned, the core's way back included; in days at the "
        "profile's planned temperature. Null for a product without a profile."
    )
    expires_at: Instant | None = Field(description="As last refreshed; null before the first time.")
    cautious_at: Instant | None = Field(
        description="The end of life on the cautious side, as last refreshed."
    )


class DecisionOut(View):
    """QA's word on a lot, signed."""

    id: int
    lot_id: int
    decision: str
    best_before_on: date | None
    best_before_was_on: date | None
    reason: str
    units: int = Field(description="How many units it let go, or stopped for good.")
    decided_at: Instant
    decided_by: int
    decided_by_name: str
    sha256: str = Field(description="Of what was signed: the decision and the excursion's facts.")
    is_standing: bool = Field(description="The newest word on the lot is the one that stands.")


class LotOut(View):
    """One lot's part in an excursion."""

    lot_id: int
    lot_code: str
    product_id: int
    sku: str
    product_name: str
    best_before_on: date
    units: int
    cases: int
    held_units: int = Field(
        description="Stopped by this excursion or waiting for it too; on the road, marked."
    )
    still_held_units: int = Field(description="On hold for it now.")
    worst_life_lost_days: float | None
    expires_at: Instant | None = Field(description="When the first of it expires, as last refreshed.")
    expires_before_at: Instant | None = Field(
        description="When that would have been had the room kept its planned temperature."
    )
    cautious_at: Instant | None = Field(description="The earliest end of life on the cautious side.")
    decisions: list[DecisionOut] = Field(description="All of them, oldest first; the last one stands.")


class CrossingOut(View):
    """When the straight line between two readings met the limit; the alarm clock does not use it."""

    at: Instant
    is_outward: bool


class OutlookOut(View):
    """Which core in the room passes its limit first if the air stays as it is."""

    passes_limit: str = Field(
        description="In words.", examples=["in 4.2 h", "already past", "never in this air"]
    )
    hours: float | None = Field(description="0: it has; null: never in this air. [h]")
    limit_c: float = Field(
        description="The rule's limit for a room too warm, the product's freezing point for one too cold."
    )
    sku: str
    tau_h: float
    core_c: float
    air_c: float
    cases: int


class ExcursionDetailOut(ExcursionOut):
    """An excursion with the stock it touched."""

    touched_contents: int = Field(description="How many there are; `…/touched` lists them all.")
    touched_cases: int
    trip: TripAboardOut | None = Field(description="Null outside of trips.")
    core: OutlookOut | None = Field(
        description="While it runs, how long the beer has; null when it is over, or no core is known."
    )
    crossings: list[CrossingOut] = Field(
        description="Beside the alarm clock, which lets a reading hold until the next; the last 200 at most."
    )
    lots: list[LotOut]
    open_points: list[str] = Field(description="What is still to be done before it is closed.")
    is_closed: bool = Field(description="It is over, acknowledged, and every lot put on hold has its word.")
    touched: list[TouchedOut] = Field(description="Those it cost most, at most 500, the worst first.")


class CheckedOut(View):
    """What a check found."""

    opened: list[int] = Field(description="Ids of new excursions.")
    ended: list[int]
    running: list[int] = Field(description="Ids of those known before that are still open.")


class DecisionIn(Body):
    """QA's word on a lot an excursion touched."""

    lot_id: Id
    decision: Word = Field(description="The newest word stands; a rejection is final.")
    best_before_on: date | None = Field(
        None, description="With `shorten date`: the new last day, earlier than the present one."
    )
    reason: Reason
    signature_token: SecretStr = Field(
        description="The signer's own token once more: whoever decides shows again who they are.",
        min_length=1,
        max_length=200,
    )


class DecidedOut(View):
    """A decision and what it moved."""

    decision: DecisionOut
    left_on_hold: list[str] = Field(
        description="SSCCs of the lot's units that stay on hold: they wait for another lot on them or "
        "another excursion, or carry lots that were decided differently."
    )
    open_points: list[str]


class ReportOut(View):
    """The report of an excursion as facts."""

    made_at: Instant
    facts: dict[str, Any]
    sha256: str = Field(
        description="Of `facts` as JSON with keys sorted, no blanks between them, in UTF-8. It changes with "
        "the facts and with nothing else."
    )
    is_signed_off: bool
    cautions: list[Worded]
