"""The words for excursions."""

from enum import StrEnum


class Side(StrEnum):
    """Which side of the limit is outside."""

    ABOVE = "above"
    BELOW = "below"


class Severity(StrEnum):
    """How urgent it is."""

    WARNING = "warning"
    CRITICAL = "critical"


class ExcursionKind(StrEnum):
    """What went wrong."""

    TOO_WARM = "too_warm"
    TOO_COLD = "too_cold"
    SILENT = "silent"
    DISAGREE = "disagree"
    CALIBRATION = "calibration"


class Word(StrEnum):
    """What QA decides about a lot: it may go, it may not, or it may go with an earlier date."""

    RELEASE = "release"
    REJECT = "reject"
    SHORTEN = "shorten date"
