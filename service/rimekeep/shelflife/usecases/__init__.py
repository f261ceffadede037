"""Say how products age; find out what is left."""

from rimekeep.shelflife.usecases.calibrations import (
    approve_calibration,
    propose_calibration,
    refuse_calibration,
    signed_digest,
)
from rimekeep.shelflife.usecases.forced_ageing import FORCED_AGEING_COLUMNS, import_forced_ageing
from rimekeep.shelflife.usecases.profiles import add_profile
from rimekeep.shelflife.usecases.re_age import ReAged, re_age
from rimekeep.shelflife.usecases.refresh import Refreshed, refresh_life

__all__ = [
    "FORCED_AGEING_COLUMNS",
    "ReAged",
    "Refreshed",
    "add_profile",
    "approve_calibration",
    "import_forced_ageing",
    "propose_calibration",
    "re_age",
    "refresh_life",
    "refuse_calibration",
    "signed_digest",
]
