"""Ageing profiles, as stored and as the core computes with them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.platform.database import Listing
from rimekeep.shelflife.core.ends import remarks
from rimekeep.shelflife.core.life_table import Keeping, life_at
from rimekeep.shelflife.core.plausibility import Plausibility, plausibility
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.routes import route_from
from rimekeep.shelflife.tables import AgeingProfile


def profiles(site_id: int, product_id: int) -> Listing:
    """Return the statement for a product's profiles, and its order."""
    statement = select(AgeingProfile).where(
        col(AgeingProfile.site_id) == site_id, col(AgeingProfile.product_id) == product_id
    )
    return statement, [col(AgeingProfile.version), col(AgeingProfile.id)]


def newest_profiles(session: Session, site_id: int) -> dict[int, AgeingProfile]:
    """Return each product's newest profile, by product."""
    newest = (
        select(col(AgeingProfile.product_id), func.max(col(AgeingProfile.version)).label("version"))
        .where(col(AgeingProfile.site_id) == site_id)
        .group_by(col(AgeingProfile.product_id))
        .subquery()
    )
    rows = session.scalars(
        select(AgeingProfile)
        .join(
            newest,
            (newest.c.product_id == col(AgeingProfile.product_id))
            & (newest.c.version == col(AgeingProfile.version)),
        )
        .where(col(AgeingProfile.site_id) == site_id)
    )
    return {row.product_id: row for row in rows}


def all_profiles(session: Session, site_id: int) -> dict[int, Profile]:
    """Return every version of every product's profile in the form the core computes with, by its key."""
    rows = session.scalars(select(AgeingProfile).where(col(AgeingProfile.site_id) == site_id))
    return {row.id: core_profile(row) for row in rows}


def profiles_by_id(session: Session, site_id: int, profile_ids: Collection[int]) -> dict[int, AgeingProfile]:
    """Return profiles by their key."""
    if not profile_ids:
        return {}
    rows = session.scalars(
        select(AgeingProfile).where(
            col(AgeingProfile.site_id) == site_id, col(AgeingProfile.id).in_(sorted(profile_ids))
        )
    )
    return {row.id: row for row in rows}


def profile_version(session: Session, site_id: int, product_id: int, version: int) -> AgeingProfile:
    """Return one version of how a product ages."""
    found = session.scalar(
        select(AgeingProfile).where(
            col(AgeingProfile.site_id) == site_id,
            col(AgeingProfile.product_id) == product_id,
            col(AgeingProfile.version) == version,
        )
    )
    if found is None:
        raise missing("profile version", version)
    return found


def newest_profile(session: Session, site_id: int, product_id: int) -> AgeingProfile | None:
    """Return the newest version of how a product ages."""
    return session.scalar(
        select(AgeingProfile)
        .where(col(AgeingProfile.site_id) == site_id, col(AgeingProfile.product_id) == product_id)
        .order_by(col(AgeingProfile.version).desc())
        .limit(1)
    )


def core_profile(row: AgeingProfile) -> Profile:
    """Return a stored profile in the form the core computes with."""
    return Profile(
        row.id,
        row.version,
        tuple(route_from(route) for route in row.routes),
        row.tau_h,
        row.planned_c,
        row.freezing_c,
        row.freezing_minutes,
        row.oxygen_ref_ppb,
        row.oxygen_exponent,
    )


@dataclass(frozen=True, slots=True)
class ProfileView:
    """A version with what it means at its planned temperature, how sure that is, and what is missing."""

    id: int
    product_id: int
    version: int
    tau_h: float
    planned_c: float
    freezing_c: float
    freezing_minutes: int
    routes: list[dict[str, Any]]
    oxygen_ref_ppb: float | None
    oxygen_exponent: float
    calibration_id: int | None
    reason: str
    author_id: int | None
    created_at: datetime
    limited_by: str | None
    life_at_planned_days: float | None
    life_sd_at_planned_days: float | None
    least_known: str | None
    remarks: list[str]


def profile_view(row: AgeingProfile) -> ProfileView:
    """Return a version as it is shown."""
    profile = core_profile(row)
    planned = life_at(profile.routes, profile.planned_c)
    ending = next((one for one in planned.routes if one.route == planned.limited_by), None)
    thin = [f"{route['name']}: {text}" for route in row.routes for text in route.get("remarks", ())]
    return ProfileView(
        **{name: getattr(row, name) for name in STORED},
        limited_by=planned.limited_by,
        life_at_planned_days=planned.days,
        life_sd_at_planned_days=planned.sd_days,
        least_known=_least_known(ending),
        remarks=[*remarks(profile), *thin],
    )


def plausibilities(row: AgeingProfile) -> list[Plausibility]:
    """Return where each route of a version lies among published ones."""
    return [plausibility(route) for route in core_profile(row).routes]


STORED = [name for name in ProfileView.__dataclass_fields__ if name in AgeingProfile.model_fields]


def _least_known(ending: Keeping | None) -> str | None:
    """Name the figure of the limiting route from which most of the uncertainty comes."""
    if ending is None or ending.parameter_share is None:
        return None
    what = "answer to temperature" if ending.parameter_share > 0.5 else "reference life"
    return f"{ending.route}: {what}"
