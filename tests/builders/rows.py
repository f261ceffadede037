"""How many rows there are, to see that nothing was half-written."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlmodel import SQLModel

from rimekeep.platform.database import Database


def table_counts(database: Database) -> dict[str, int]:
    """Return the number of rows of every table."""
    with database.transaction(readonly=True) as session:
        return {
            table.name: session.scalar(select(func.count()).select_from(table)) or 0
            for table in SQLModel.metadata.sorted_tables
        }
