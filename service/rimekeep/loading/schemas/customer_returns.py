"""Requests and responses about goods customers send back."""

from pydantic import Field

from rimekeep.loading.schemas.plans import Sscc
from rimekeep.platform.schemas import Body, Cases, Code, Id, Instant, Reason, View


class ReturnIn(Body):
    """What a customer sent back of a unit that was handed over to them."""

    customer_id: Id
    sscc: Sscc = Field(description="The unit it was handed over on.")
    cases: Cases | None = Field(None, description="How many of its cases; null: the unit as it stands.")
    lot: Code | None = Field(None, description="Of which lot, where the unit carried several.")
    zone_id: Id = Field(description="Room of the store it is put into.")
    bay_id: Id | None = None
    reason: Reason
    at: Instant | None = Field(None, description="When it came; may be past. Default: now.")


class ReturnOut(View):
    """Cases of one lot that a customer sent back."""

    id: int
    customer_id: int
    customer: str
    order: str
    trip_id: int
    sscc: str
    returned_sscc: str = Field(description="The unit they stand on; the same where all of it came back.")
    lot_id: int
    lot: str
    cases: int
    reason: str
    returned_at: Instant
    recorded_at: Instant
    recorded_by: int


class ReturnedLifeOut(View):
    """What is left of cases that came back, as far as anybody can know."""

    lot_id: int
    expires_at: Instant
    cautious_at: Instant
    limited_by: str
    bridged_s: int = Field(
        description="Seconds of its life nobody measured, those at the customer among them."
    )


class TakenInOut(View):
    """A unit that came back; on hold until QA has judged it."""

    sscc: str
    zone_id: int
    bay_id: int | None
    qa_state: str
    qa_reason: str
    returns: list[ReturnOut]
    lives: list[ReturnedLifeOut]
