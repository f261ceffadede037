"""What runs again and again for the life of the stock."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.shelflife.usecases import refresh_life


def refresh(session: Session, now: datetime, site_id: int) -> None:
    """Refresh the life of a site's stock."""
    refresh_life(session, now, site_id)
