"""What QA may put in place of a reading."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Correction(StrEnum):
    """What became of one correction."""

    CORRECTED = "corrected"
    STRUCK_OUT = "struck out"
    RESTORED = "restored"
    UNCHANGED = "unchanged"
    UNKNOWN_SENSOR = "unknown sensor"
    NO_READING = "no reading"
    WAITS = "in quarantine"
    BOOKS_CLOSED = "books closed"
    NOT_A_TEMPERATURE = "not a temperature"
    TWICE = "twice"


DONE = frozenset({Correction.CORRECTED, Correction.STRUCK_OUT, Correction.RESTORED})


@dataclass(frozen=True, slots=True)
class Wish:
    """A reading to be corrected: None strikes it out. [°C]"""

    sensor: str
    at: datetime
    temp_c: float | None


@dataclass(frozen=True, slots=True)
class Corrected:
    """What became of one wish; ``before_c`` is what was held, None for nothing. [°C]"""

    word: Correction
    before_c: float | None = None
    after_c: float | None = None
    field: str = ""
    detail: str = ""
    mend: str = ""
