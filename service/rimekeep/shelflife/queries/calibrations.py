"""Forced-ageing scores and calibrations, as stored."""

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.platform.database import Listing
from rimekeep.shelflife.tables import AgeingProfile, Calibration, ForcedAgeingScore


def forced_ageing(site_id: int, product_id: int, series: str | None = None) -> Listing:
    """Return the statement for a product's forced-ageing scores, and its order."""
    statement = select(ForcedAgeingScore).where(
        col(ForcedAgeingScore.site_id) == site_id, col(ForcedAgeingScore.product_id) == product_id
    )
    if series is not None:
        statement = statement.where(col(ForcedAgeingScore.series) == series)
    return statement, [col(ForcedAgeingScore.series), col(ForcedAgeingScore.id)]


def series_scores(
    session: Session, site_id: int, product_id: int, series: str
) -> list[tuple[float, float, float]]:
    """Return temperature, day and score of each sample of an imported series."""
    statement, order = forced_ageing(site_id, product_id, series)
    found = [(row.temp_c, row.day, row.score) for row in session.scalars(statement.order_by(*order))]
    if not found:
        raise missing("forced-ageing series", series)
    return found


def calibrations(site_id: int, product_id: int) -> Listing:
    """Return the statement for a product's calibrations, and its order."""
    statement = select(Calibration).where(
        col(Calibration.site_id) == site_id, col(Calibration.product_id) == product_id
    )
    return statement, [col(Calibration.id)]


def calibration(
    session: Session, site_id: int, calibration_id: int, *, is_locked: bool = False
) -> Calibration:
    """Return a calibration, its row locked for a decision if asked for."""
    found = session.get(
        Calibration, calibration_id, with_for_update=is_locked or None, populate_existing=is_locked
    )
    if found is None or found.site_id != site_id:
        raise missing("calibration", calibration_id)
    return found


def calibration_view(session: Session, row: Calibration) -> dict[str, Any]:
    """Return a calibration as it is shown, with the profile version its approval made."""
    version = session.scalar(
        select(col(AgeingProfile.version)).where(
            col(AgeingProfile.site_id) == row.site_id,
            col(AgeingProfile.product_id) == row.product_id,
            col(AgeingProfile.calibration_id) == row.id,
        )
    )
    return {**row.model_dump(), "profile_version": version}
