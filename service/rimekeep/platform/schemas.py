"""Types shared by the request and response models of all features."""

from datetime import UTC, datetime
from typing import Annotated

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
)


def wrong(detail: str, mend: str) -> ValueError:
    """Return the error of a checker of requests: what is wrong, and what would be right."""
    return ValueError(f"{detail} | {mend}")


class Body(BaseModel):
    """Base of request bodies: unknown fields are refused, so that a typo is not silently ignored."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class View(BaseModel):
    """Base of response bodies."""

    model_config = ConfigDict(from_attributes=True)


def _to_utc(value: datetime) -> datetime:
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise wrong("the instant lies outside the calendar", "Check the year.") from None


def _rfc3339(value: datetime) -> str:
    return value.astimezone(UTC).isoformat().replace("+00:00", "Z")


def no_nul(value: str) -> str:
    """Refuse a text no database can store."""
    if "\x00" in value:
        # PostgreSQL cannot store it and nobody means it.
        raise wrong("the text holds a NUL character", "Remove it.")
    return value


Instant = Annotated[
    AwareDatetime,
    AfterValidator(_to_utc),
    PlainSerializer(_rfc3339, return_type=str, when_used="json"),
    Field(examples=["2026-03-01T06:00:00Z"]),
]
Code = Annotated[
    str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/-]{0,39}$"), Field(examples=["B2-014"])
]
Text = Annotated[str, StringConstraints(max_length=500), AfterValidator(no_nul)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=120), AfterValidator(no_nul)]
Reason = Annotated[
    str,
    StringConstraints(min_length=3, max_length=500),
    AfterValidator(no_nul),
    Field(description="Why; stays on record.", examples=["seal broken on two cases"]),
]
# Databases keep keys in 8 signed bytes; a larger number in an address is simply not there.
Id = Annotated[int, Field(ge=1, le=2**63 - 1)]
Celsius = Annotated[float, Field(ge=-60, le=80)]
Cases = Annotated[int, Field(ge=1, le=100_000, strict=True)]
