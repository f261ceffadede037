"""What runs by itself."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.picking import usecases


def return_leases(session: Session, now: datetime) -> None:
    """Put the lists of silent devices back."""
    usecases.return_leases(session, now)
