"""What requests about a room's past have in common."""

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Depends, Query

from rimekeep.climate import usecases
from rimekeep.errors import invalid
from rimekeep.platform.http import Now
from rimekeep.platform.schemas import Instant
from rimekeep.wording import say

MAX_STEPS = 5_000
# A table that is written line by line may be longer than an answer that is made in one piece.
MAX_LINES = 1_000_000
FromAt = Annotated[Instant | None, Query(alias="from", description="Default: a day before the end.")]
UntilAt = Annotated[Instant | None, Query(alias="to", description="Default, and at most: now.")]
StepS = Annotated[int, Query(ge=60, le=604_800, description="Length of a step. [s]")]


class Window:
    """A stretch of the past and the length of its steps."""

    def __init__(
        self, now: Now, from_at: FromAt = None, until_at: UntilAt = None, step_s: StepS = 600
    ) -> None:
        """Read the parameters of a request; refuse a stretch that is empty or before all readings."""
        self.until_at: datetime = min(until_at or now, now)
        if min(self.until_at, from_at or self.until_at) < usecases.EARLIEST_AT:
            raise invalid("from", say("Nothing was measured before 2000."), say("Check the year."))
        self.from_at: datetime = from_at or self.until_at - timedelta(days=1)
        self.step_s = step_s
        if not self.from_at < self.until_at:
            raise invalid(
                "from",
                say("The stretch is empty or ends before it begins."),
                say("Give a start before the end."),
            )

    def of_at_most(self, steps: int) -> "Window":
        """Return the window itself; refuse one of more steps than that."""
        if (self.until_at - self.from_at).total_seconds() > steps * self.step_s:
            raise invalid(
                "step_s",
                say("That makes more than {steps} steps.", steps=steps),
                say("Ask for longer steps or less time."),
            )
        return self


WindowDep = Annotated[Window, Depends()]
