"""Reads of ageing profiles and of the life that is left."""

from rimekeep.shelflife.queries.ageing import Aged, aged
from rimekeep.shelflife.queries.between import LivedBetween, lived_between
from rimekeep.shelflife.queries.calibrations import (
    calibration,
    calibration_view,
    calibrations,
    forced_ageing,
    series_scores,
)
from rimekeep.shelflife.queries.cores import CoreNow, cores_in_zone
from rimekeep.shelflife.queries.costs import Exposed, life_lost
from rimekeep.shelflife.queries.life import (
    LastDays,
    LifeRow,
    expires_by_content,
    expires_on_by_content,
    last_days_by_content,
    life,
)
from rimekeep.shelflife.queries.plans import MayWait, Projected, project_unit, unit_may_wait
from rimekeep.shelflife.queries.profiles import (
    ProfileView,
    core_profile,
    newest_profile,
    newest_profiles,
    plausibilities,
    profile_version,
    profile_view,
    profiles,
    profiles_by_id,
)
from rimekeep.shelflife.queries.reckoned import LivedThrough, reckoned
from rimekeep.shelflife.queries.rooms import needed_from
from rimekeep.shelflife.queries.views import (
    CurvePoint,
    LegView,
    LifeView,
    PackView,
    contents_of_lot,
    life_views,
)

__all__ = [
    "Aged",
    "CoreNow",
    "CurvePoint",
    "Exposed",
    "LastDays",
    "LegView",
    "LifeRow",
    "LifeView",
    "LivedBetween",
    "LivedThrough",
    "MayWait",
    "PackView",
    "ProfileView",
    "Projected",
    "aged",
    "calibration",
    "calibration_view",
    "calibrations",
    "contents_of_lot",
    "core_profile",
    "cores_in_zone",
    "expires_by_content",
    "expires_on_by_content",
    "forced_ageing",
    "last_days_by_content",
    "life",
    "life_lost",
    "life_views",
    "lived_between",
    "needed_from",
    "newest_profile",
    "newest_profiles",
    "plausibilities",
    "profile_version",
    "profile_view",
    "profiles",
    "profiles_by_id",
    "project_unit",
    "reckoned",
    "series_scores",
    "unit_may_wait",
]
