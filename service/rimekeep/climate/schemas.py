"""Requests and responses about sensors and air."""

from datetime import UTC, date, datetime
from typing import Annotated

from pydantic import BeforeValidator, Field, StringConstraints

from rimekeep.platform.schemas import Body, Id, Instant, Reason, View

SensorCode = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9\-:./_]{0,79}$"),
    Field(description="Its name in SenML packs too.", examples=["room2:air"]),
]


def _from_ms(at_ms: object) -> object:
    return datetime.fromtimestamp(at_ms / 1000, UTC) if isinstance(at_ms, int) else at_ms


class SensorIn(Body):
    """A new sensor."""

    code: SensorCode
    zone_id: Id
    interval_s: int = Field(ge=1, le=86_400, description="How often it reports. [s]", examples=[600])
    error_c: float = Field(0.5, ge=0, le=10, description="Its stated error. [K]")
    rank: int = Field(
        1, ge=1, le=100, description="1 speaks for the room; the next ones stand in for its gaps."
    )
    calibration_due_on: date | None = None


class SensorOut(View):
    """A sensor."""

    id: int
    code: str
    zone_id: int
    interval_s: int
    error_c: float
    rank: int
    calibration_due_on: date | None
    is_active: bool
    last_at: Annotated[Instant | None, BeforeValidator(_from_ms)] = Field(
        validation_alias="last_at_ms", description="Time of its newest reading."
    )


class ReasonIn(Body):
    """Why."""

    reason: Reason


class RefusedOut(View):
    """One reading that was not taken."""

    index: int = Field(
        description="Its place in the batch, from 0; in a SenML pack among its temperatures by time."
    )
    outcome: str = Field(examples=["in the future"])
    field: str = Field(examples=["readings[3].at"])
    detail: str
    mend: str


class TakenOut(View):
    """What became of a batch of readings."""

    stored: int
    repeated: int
    refused: int
    outcomes: list[str] = Field(
        description="One word per reading, in order: stored, repeated (held already), or why it was "
        "refused: differs, unknown sensor, unknown unit, in the future, not an instant, not a temperature, "
        "not a reading."
    )
    faults: list[RefusedOut] = Field(description="Every refused reading with the field and the mend.")


class ZoneNowOut(View):
    """The air of a room now."""

    zone_id: int
    zone_code: str
    zone_name: str
    zone_kind: str
    planned_c: float
    sensor_code: str | None
    temp_c: float | None
    at: Instant | None
    age_s: int | None
    is_stale: bool = Field(description="No reading for more than three intervals, or never one.")


class ZonesNowOut(View):
    """The air of every room now."""

    items: list[ZoneNowOut]


class StepOut(View):
    """Air over one step."""

    at: Instant = Field(description="Start of the step.")
    min_c: float
    mean_c: float = Field(description="Mean over time.")
    max_c: float
    bridged_s: int = Field(description="Seconds of it nobody measured.")


class StretchOut(View):
    """A stretch of time."""

    from_at: Instant
    until_at: Instant


class ZoneAirOut(View):
    """Air of a room over time."""

    zone_id: int
    from_at: Instant
    until_at: Instant
    step_s: int
    sensors: list[str] = Field(description="Codes of the sensors it was read from.")
    is_assumed: bool = Field(description="Nothing was ever measured here: the planned temperature is shown.")
    bridged: list[StretchOut] = Field(
        description="Where nothing was heard and the line between is an estimate."
    )
    steps: list[StepOut]


class DewPointOut(View):
    """Whether a cold carton gets wet."""

    dew_point_c: float
    condenses: bool | None = Field(description="Whether water settles on the surface; null without one.")
