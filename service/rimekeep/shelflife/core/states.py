"""What a calibration may be."""

from enum import StrEnum


class CalibrationState(StrEnum):
    """Where a calibration stands; only a proposed one can be decided about."""

    PROPOSED = "proposed"
    APPROVED = "approved"
    REFUSED = "refused"
