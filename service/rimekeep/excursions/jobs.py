"""What runs again and again to watch the cold."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.queries import all_sites
from rimekeep.excursions.usecases import check_site


def check(session: Session, now: datetime) -> None:
    """Check every site's rooms and sensors."""
    for site in all_sites(session):
        check_site(session, now, site.id)
