"""Requests and responses about sensors and air."""

from datetime import UTC, date, datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from rimekeep.climate.core.quarantine import Verdict
from rimekeep.platform.language import Worded
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
    stands_since: Instant | None = Field(
        None, description="From when on it speaks for the room; null: ever since its first reading."
    )


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
    registered_at: Instant
    has_quarantined: bool = Field(description="Some of its readings wait for QA's word.")
    last_at: Annotated[Instant | None, BeforeValidator(_from_ms)] = Field(
        validation_alias="last_at_ms", description="Time of its newest reading."
    )


class ReasonIn(Body):
    """Why."""

    reason: Reason


class MoveIn(ReasonIn):
    """A sensor stands elsewhere."""

    zone_id: Id
    at: Instant | None = Field(None, description="Since when, in the past; null: now.")


class PlaceOut(View):
    """Where a sensor was said to stand; of two that begin at one instant the later said holds."""

    id: int
    zone_id: int
    since: Annotated[Instant, BeforeValidator(_from_ms)] = Field(validation_alias="from_ms")
    reason: str
    author_id: int | None
    said_at: Instant = Field(validation_alias="at")


class CalibrationIn(ReasonIn):
    """What a calibration found."""

    offset_c: float = Field(ge=-10, le=10, description="Added to what the sensor says. [K]", examples=[-0.3])
    applies_from: Instant = Field(description="The readings since then are corrected by it.")
    calibrated_on: date
    due_on: date | None = Field(None, description="When it is due again; null: never.")


class CalibrationOut(View):
    """A calibration; of two that apply from one instant the later recorded holds."""

    id: int
    offset_c: float
    applies_from: Annotated[Instant, BeforeValidator(_from_ms)] = Field(validation_alias="from_ms")
    calibrated_on: date
    due_on: date | None
    reason: str
    author_id: int | None
    recorded_at: Instant = Field(validation_alias="at")


class CorrectionIn(Body):
    """One reading to be corrected."""

    sensor: SensorCode
    at: Instant = Field(description="The reading's own time, to the millisecond.")
    temp: float | None = Field(description="What it was; null strikes the reading out.")
    unit: Literal["Cel", "C", "°C", "F", "°F", "K"] = "Cel"


class CorrectionsIn(ReasonIn):
    """Readings to be corrected, and why."""

    corrections: list[CorrectionIn] = Field(min_length=1, max_length=1_000)


class CorrectedOut(View):
    """What became of one correction."""

    index: int
    outcome: str = Field(
        description="corrected, struck out, restored, unchanged; or why nothing was done: unknown sensor, no "
        "reading, in quarantine, books closed, not a temperature, twice.",
        examples=["corrected"],
    )
    before_c: float | None = Field(description="What was held; null: nothing.")
    after_c: float | None
    field: str | None
    detail: Worded | None
    mend: Worded | None


class CorrectionsOut(View):
    """What became of corrections, in the order sent."""

    items: list[CorrectedOut]


class CorrectionOut(View):
    """A correction on record."""

    id: int
    sensor_id: int
    sensor: str
    at: Annotated[Instant, BeforeValidator(_from_ms)] = Field(validation_alias="at_ms")
    before_c: float | None = Field(description="What was held before; null: nothing.")
    after_c: float | None = Field(description="What is held since; null: struck out.")
    reason: str
    author_id: int | None
    corrected_at: Instant = Field(validation_alias="at")


class QuarantinedOut(View):
    """A reading that was set aside."""

    id: int
    sensor_id: int
    sensor: str
    at: Annotated[Instant, BeforeValidator(_from_ms)] = Field(validation_alias="at_ms")
    temp_c: float = Field(description="As understood from what was sent.")
    sent: str = Field(description="As it came.", examples=["38.0 Cel"])
    reason: str
    received_at: Instant
    outcome: str | None = Field(description="null while it waits; then: as sent, as fahrenheit, discarded.")
    settled_at: Instant | None
    settled_by_id: int | None
    settled_reason: str | None


class SettleIn(ReasonIn):
    """QA's word on readings in quarantine."""

    sensor_id: Id
    verdict: Verdict
    reading_ids: list[Id] | None = Field(
        None, min_length=1, max_length=10_000, description="null: all that wait of the sensor."
    )


class SettledOut(View):
    """How much was settled."""

    settled: int


class RefusedOut(View):
    """One reading that was not taken."""

    index: int = Field(description="Its place in the batch, from 0; in a SenML pack that of its record.")
    outcome: str = Field(
        description="quarantined, or why it was refused: differs, unknown sensor, unknown unit, in the "
        "future, books closed, not an instant, not a temperature, not a reading.",
        examples=["in the future"],
    )
    field: str = Field(examples=["readings[3].at"])
    detail: Worded
    mend: Worded


class TakenOut(View):
    """What became of a batch of readings."""

    stored: int = Field(description="How many are new.")
    repeated: int = Field(description="How many were held already, with the same value.")
    quarantined: int = Field(description="How many wait for QA's word.")
    refused: int
    faults: list[RefusedOut] = Field(
        description="Every reading that was not stored, by its place, with the field and the mend. Whatever "
        "is not listed here is held."
    )


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
    thinned_s: int = Field(
        description="Seconds of it known by the figures of whole hours only; of an hour that the step cuts, "
        "least and greatest are those of all of it."
    )


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
    thinned_until: Instant | None = Field(
        description="Readings before this are thinned: hours stand in their place; null if none are."
    )
    bridged: list[StretchOut] = Field(
        description="Where nothing was heard and the line between is an estimate; thinned steps tell it."
    )
    steps: list[StepOut]


class ReadingOut(View):
    """A reading as it is held."""

    at: Annotated[Instant, BeforeValidator(_from_ms)] = Field(validation_alias="at_ms")
    temp_c: float = Field(description="As it was sent, or corrected: before the sensor's offset.")
    received_at: Annotated[Instant, BeforeValidator(_from_ms)] = Field(validation_alias="received_at_ms")
    is_corrected: bool = Field(description="QA put it in the place of another; see the corrections.")


class DewPointOut(View):
    """Whether a cold carton gets wet."""

    dew_point_c: float
    condenses: bool | None = Field(description="Whether water settles on the surface; null without one.")
