"""Requests and responses about counts, pick bays and where to put what comes in."""

from datetime import date
from typing import Annotated

from pydantic import AfterValidator, Field, StringConstraints

from rimekeep.picking.core.counts import CountState, Finding
from rimekeep.picking.core.refill import RefillState
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Cases, Id, Instant, Reason, View, no_nul

Scan = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200),
    AfterValidator(no_nul),
    Field(description="What the scanner sent, FNC1 as the GS character."),
]
CheckCode = Annotated[
    str, StringConstraints(min_length=1, max_length=40), AfterValidator(no_nul), Field(examples=["42"])
]


class CountsIn(Body):
    """How many places are to be counted."""

    how_many: int = Field(20, ge=1, le=1000, description="The places most worth it; see `reasons`.")
    zone_id: Id | None = Field(None, description="Only there.")
    bay_ids: list[Id] | None = Field(None, min_length=1, max_length=1000, description="Only these bays.")


class CountLineOut(View):
    """One thing a count found."""

    id: int
    round: int
    finding: Finding
    sscc: str
    sku: str | None
    lot_code: str | None
    counted_cases: int
    recorded_cases: int = Field(description="At the moment of the count; picks confirmed since are undone.")
    adjusted_cases: int | None = Field(description="By how much the record was changed; null: it was not.")


class CountOut(View):
    """A count as the office sees it."""

    id: int
    state: CountState
    round: int
    score: float = Field(description="How much it is worth counting, 0 to 1.")
    reasons: list[Worded]
    zone_id: int
    zone_code: str
    bay_id: int | None
    bay_code: str | None
    sscc: str | None = Field(description="The unit to be counted, where it stands in no bay.")
    counter: str | None
    made_at: Instant
    counted_at: Instant | None
    done_at: Instant | None
    reason: str
    lines: list[CountLineOut]


class TakeCountsIn(Body):
    """What one would like to count."""

    zone_id: Id | None = None
    at_most: int = Field(10, ge=1, le=200)


class CountTaskOut(View):
    """A place to be counted: where, never how many."""

    id: int
    state: CountState
    round: int
    zone_id: int
    zone_code: str
    bay_id: int | None
    bay_code: str | None
    aisle: int | None
    slot: int | None
    level: int | None
    sscc: str | None


class DaysWalkOut(View):
    """Places to be counted, in the order of the walk."""

    counts: list[CountTaskOut]
    walk_m: float | None = Field(description="From the dock and back; null where the aisles are not known.")


class CountedLotIn(Body):
    """Cases of one lot on a unit."""

    lot: Scan = Field(description="The lot's code, or the scan of a case's label.")
    cases: int = Field(ge=0, le=100_000, strict=True)


class CountedUnitIn(Body):
    """A unit found, with all that is on it."""

    scan: Scan
    lots: list[CountedLotIn] = Field(max_length=100)


class CountAnswerIn(Body):
    """What stands at the place; a unit that is not named was not found."""

    bay_check_code: CheckCode | None = None
    counted_s_ago: float = Field(
        0, ge=0, le=86_400, description="By the device's stopwatch; its clock does not matter."
    )
    units: list[CountedUnitIn] = Field(max_length=200)


class CountAnsweredOut(View):
    """What becomes of a count; never what was on record."""

    id: int
    state: CountState
    round: int
    told: Worded


class GivenWayOut(View):
    """Cases a line gave back, as fewer were found than reserved."""

    line_no: int
    cases: int
    sscc: str
    lot_code: str
    reason: str
    is_picker_told: bool


class ApprovedOut(CountOut):
    """A count whose difference was approved."""

    given_back: list[GivenWayOut]
    order_ids: list[int] = Field(description="Orders served anew as far as there was other stock.")


class ReasonedIn(Body):
    """Why."""

    reason: Reason


class PickFaceIn(Body):
    """What a pick bay shall always hold of a product."""

    bay_id: Id
    product_id: Id
    min_cases: int = Field(ge=0, le=100_000, strict=True, description="Below this it is filled.")
    max_cases: Cases


class PickFaceOut(View):
    """What a pick bay shall hold of a product, and what it holds."""

    id: int
    bay_id: int
    bay_code: str
    product_id: int
    sku: str
    min_cases: int
    max_cases: int
    cases: int
    reserved_cases: int
    coming_cases: int
    is_low: bool


class RefillTaskOut(View):
    """A task for a forklift driver."""

    id: int
    state: RefillState
    sku: str
    lot_code: str
    sscc: str
    cases: int
    is_whole_unit: bool
    from_zone_code: str
    from_bay_code: str | None
    to_zone_code: str
    to_bay_code: str
    note: Worded
    made_at: Instant
    done_at: Instant | None
    to_sscc: str | None
    caution: Worded


class HeldBackOut(View):
    """A pick bay that is low and gets nothing now."""

    pick_face_id: int
    bay_code: str
    product_id: int
    reason: Worded


class PlannedRefillsOut(View):
    """Tasks made, and low bays that get nothing."""

    made: list[RefillTaskOut]
    held_back: list[HeldBackOut]


class RefillConfirmIn(Body):
    """What was brought, and where to."""

    scan: Scan = Field(description="The SSCC of the pallet it was taken from.")
    bay_check_code: CheckCode = Field(description="Read at the pick bay.")


class RefilledOut(View):
    """What became of a task."""

    outcome: str = Field(description="`done`, or `over`: nothing was moved.")
    told: Worded
    task_id: int
    to_sscc: str | None = Field(description="What stands in the pick bay; layers get a label of their own.")


class PutawayIn(Body):
    """What comes in."""

    lot_id: Id
    units: int = Field(1, ge=1, le=1000, description="Units of it that come in together.")
    expires_on: date | None = Field(None, description="Where it is good for less long than its label says.")
    zone_id: Id | None = None
    at_most: int = Field(10, ge=1, le=100)


class SuggestionOut(View):
    """A bay, and why it comes at this place of the list."""

    bay_id: int = Field(validation_alias="bay")
    bay_code: str = Field(validation_alias="code")
    units: int = Field(description="How many of them it takes.")
    walk_m: float | None
    reason: Worded


class BuriedOut(View):
    """A unit that stands behind one that expires later."""

    bay_id: int
    bay_code: str
    sscc: str
    expires_on: date
    in_front_sscc: str
    in_front_expires_on: date
