"""How many rows there are, to see that nothing was half-written."""

from __future__ import annotations

from sqlalchemy import func, select, text
from sqlmodel import SQLModel

from rimekeep.platform.database import Database


def table_counts(database: Database) -> dict[str, int]:
    """Return the number of rows of every table."""
    with database.transaction(readonly=True) as session:
        return {
            table.name: session.scalar(select(func.count()).select_from(table)) or 0
            for table in SQLModel.metadata.sorted_tables
        }


def tamper(database: Database, statement: str) -> None:
    """Do what somebody with the database's own rights could do: switch the ledger's guard off first."""
    with database.transaction() as session:
        if session.get_bind().dialect.name == "sqlite":
            for action in ("update", "delete"):
                session.execute(text(f"DROP TRIGGER IF EXISTS ledger_event_no_{action}"))
        else:
            session.execute(text("ALTER TABLE ledger_event DISABLE TRIGGER USER"))
        session.execute(text(statement))
