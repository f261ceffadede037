"""Forget what was short of lines once that is no longer so."""

from collections.abc import Collection

from sqlalchemy import delete
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.picking.tables import ShortLine
from rimekeep.platform.database import parts


def forget_shorts(session: Session, line_ids: Collection[int]) -> None:
    """Drop what is known to be short of these lines."""
    for ids in parts(line_ids):
        session.execute(
            delete(ShortLine)
            .where(col(ShortLine.line_id).in_(ids))
            .execution_options(synchronize_session="fetch")
        )
