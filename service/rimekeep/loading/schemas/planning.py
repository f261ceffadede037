"""Responses about planning in the background."""

from datetime import date
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from rimekeep.loading.core.states import JobState
from rimekeep.platform.language import told_all
from rimekeep.platform.schemas import Instant, View


class JobOut(View):
    """Planning asked for in the background, and how far it is."""

    id: int
    ship_on: date
    state: JobState = Field(
        description="waiting, running; done: see plan_id; cancelled before it began; failed: see problem; "
        "interrupted: its process ended, nothing was written, ask again."
    )
    stage: str = Field(description="What it is at.")
    vehicles: int | None = Field(
        description="The fewest vehicles found so far; where they leave several times, trips."
    )
    lower_bound: int | None = Field(description="No plan needs fewer vehicles than this.")
    wants_stop: bool = Field(description="Asked to end with the best plan found so far.")
    plan_id: int | None
    problem: Annotated[dict[str, Any], BeforeValidator(told_all)] = Field(
        description="Why there is no plan: code, detail, errors, data."
    )
    asked_at: Instant
    asked_by: int
    begun_at: Instant | None
    heard_at: Instant | None
    ended_at: Instant | None
