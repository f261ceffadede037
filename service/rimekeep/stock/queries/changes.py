"""Which stock has to be looked at again."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.stock.tables import Stay, UnitChange, UnitContent


def changed_units(session: Session, site_id: int) -> list[tuple[int, int]]:
    """Return (change, unit) for all that was noted and not yet worked through."""
    rows = session.execute(
        select(col(UnitChange.id), col(UnitChange.unit_id)).where(col(UnitChange.site_id) == site_id)
    )
    return [(row[0], row[1]) for row in rows]


def contents_of_units(session: Session, site_id: int, unit_ids: set[int]) -> list[int]:
    """Return the contents of units, those with no cases left too."""
    return [
        content_id
        for some in parts(unit_ids)
        for content_id in session.scalars(
            select(col(UnitContent.id)).where(
                col(UnitContent.site_id) == site_id, col(UnitContent.unit_id).in_(some)
            )
        )
    ]


def contents_that_left(
    session: Session, site_id: int, zone_id: int, from_at: datetime, until_at: datetime
) -> set[int]:
    """
    Return contents that were in a zone within a window and are not in that stay any more.

    Those taken off a unit since the window opened are among them, wherever that unit stood: whoever asks
    follows their way anyhow.
    """
    stood = (
        (col(Stay.site_id) == site_id)
        & (col(Stay.zone_id) == zone_id)
        & (col(Stay.left_at) > from_at)
        & (col(Stay.entered_at) < until_at)
    )
    gone = select(col(UnitContent.id)).join(Stay, col(Stay.unit_id) == col(UnitContent.unit_id)).where(stood)
    split = select(col(UnitContent.id)).where(
        col(UnitContent.site_id) == site_id, col(UnitContent.split_at) > from_at
    )
    return set(session.scalars(gone)) | set(session.scalars(split))
