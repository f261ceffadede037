"""Requests and responses about rules and excursions."""

from typing import Literal

from pydantic import Field

from rimekeep.excursions.core.states import Severity
from rimekeep.platform.schemas import Body, Celsius, Id, Instant, Name, Reason, Text, View


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
    severity: Severity = Severity.CRITICAL
    holds_stock: bool = Field(False, description="Put the units that were there on hold.")
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
    severity: str
    holds_stock: bool
    is_active: bool
    counts_from_at: Instant


class ReasonIn(Body):
    """Why."""

    reason: Reason


class NoteIn(Body):
    """A note for the record."""

    note: Text = ""


class ExcursionOut(View):
    """Air outside a rule for longer than it allows, or a sensor that stopped talking."""

    id: int
    zone_id: int
    zone_code: str
    kind: str = Field(description="too_warm, too_cold or silent.")
    rule_id: int | None
    rule_name: str | None
    sensor_id: int | None
    severity: str
    started_at: Instant = Field(description="First reading outside, or the silent sensor's last one.")
    alarm_at: Instant = Field(description="When the allowed time was used up.")
    ended_at: Instant | None
    peak_c: float | None
    limit_c: float | None
    detected_at: Instant
    acknowledged_at: Instant | None
    acknowledged_by: int | None


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


class ExcursionDetailOut(ExcursionOut):
    """An excursion with the stock it touched."""

    touched_contents: int = Field(description="How many there are; `…/touched` lists them all.")
    touched_cases: int
    touched: list[TouchedOut] = Field(description="Those it cost most, at most 500, the worst first.")


class CheckedOut(View):
    """What a check found."""

    opened: list[int] = Field(description="Ids of new excursions.")
    ended: list[int]
    running: list[int] = Field(description="Ids of those known before that are still open.")
