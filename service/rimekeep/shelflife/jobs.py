"""What runs again and again for the life of the stock."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.queries import all_sites
from rimekeep.shelflife.usecases import refresh_life


def refresh(session: Session, now: datetime) -> None:
    """Refresh the life of every site's stock."""
    for site in all_sites(session):
        refresh_life(session, now, site.id)
