"""What runs by itself."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.tracing.recall import usecases


def remind(session: Session, now: datetime, site_id: int) -> None:
    """Tell of customers whose answer is due."""
    usecases.remind(session, now, site_id)
