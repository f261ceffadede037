"""Requests and responses about temperatures at loading and the road ahead."""

from typing import Annotated

from pydantic import Field, StringConstraints

from rimekeep.loading.core.states import Measured
from rimekeep.loading.schemas.plans import Scan
from rimekeep.platform.schemas import Body, Celsius, Instant, Reason, View

Probe = Annotated[
    str,
    StringConstraints(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._/-]*$"),
    Field(description="What it was taken with, as the probe's label says.", examples=["P-07"]),
]


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
