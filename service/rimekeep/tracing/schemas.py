"""Responses about where a lot went."""

from typing import Any

from pydantic import Field

from rimekeep.platform.schemas import Instant, View


class EventOut(View):
    """One fact of the ledger."""

    seq: int
    event_id: str
    kind: str
    at: Instant
    actor_id: int | None
    unit_id: int | None
    cases: int | None
    reason: str | None
    data: dict[str, Any]
    hash: str = Field(description="Link to the event before: SHA-256.")


class BalanceOut(View):
    """Where a lot's cases are."""

    made: int
    at_site: int
    departed: int
    adjusted: int = Field(description="Adjustments with a reason; negative for broken or missing.")
    difference: int = Field(description="Cases nobody can account for.")


class DepartureOut(View):
    """Cases of the lot that left."""

    at: Instant
    cases: int
    sscc: str
    customer: str | None
    order: str | None
    trip_id: int | None
    came_back: bool = Field(description="Refused or not delivered: it is in the store again.")
    refused_cases: int = Field(description="Of the cases, those refused one by one: they rode back.")
    off_at: Instant | None = Field(
        description="When it was handed over or was back; null as long as nobody has told."
    )


class TraceOut(View):
    """Where a lot went."""

    lot_id: int
    lot_code: str
    balance: BalanceOut
    departures: list[DepartureOut]
