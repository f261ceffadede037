"""What runs again and again to watch the cold."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.excursions.usecases import check_site, escalate


def check(session: Session, now: datetime, site_id: int) -> None:
    """Check a site's rooms and sensors, and tell people again of what nobody has answered."""
    check_site(session, now, site_id)
    escalate(session, now, site_id)
