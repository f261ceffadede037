"""Ageing profiles, as stored and as the core computes with them."""

from collections.abc import Collection

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import Listing
from rimekeep.shelflife.core.history import Profile
from rimekeep.shelflife.core.segments import Route
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


def core_profile(row: AgeingProfile) -> Profile:
    """Return a stored profile in the form the core computes with."""
    routes = tuple(
        Route(
            str(route["name"]),
            float(route["reference_c"]),
            float(route["reference_life_days"]),
            float(route["activation_kj_mol"]),
        )
        for route in row.routes
    )
    return Profile(
        row.id, row.version, routes, row.tau_h, row.planned_c, row.freezing_c, row.freezing_minutes
    )
