"""Reads of ageing profiles and of the life that is left."""

from rimekeep.shelflife.queries.ageing import Aged, aged, label_end
from rimekeep.shelflife.queries.costs import Exposed, life_lost
from rimekeep.shelflife.queries.life import LifeRow, expires_by_content, expires_on_by_content, life
from rimekeep.shelflife.queries.profiles import core_profile, newest_profiles, profiles, profiles_by_id
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
    "CurvePoint",
    "Exposed",
    "LegView",
    "LifeRow",
    "LifeView",
    "PackView",
    "aged",
    "contents_of_lot",
    "core_profile",
    "expires_by_content",
    "expires_on_by_content",
    "label_end",
    "life",
    "life_lost",
    "life_views",
    "newest_profiles",
    "profiles",
    "profiles_by_id",
]
