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
    """Do what somebody with the database's own rights could do: switch the guards off first."""
    with database.transaction() as session:
        if session.get_bind().dialect.name == "sqlite":
            for table in ("ledger_event", "outbox_message", "site_head"):
                for action in ("update", "delete"):
                    session.execute(text(f"DROP TRIGGER IF EXISTS {table}_no_{action}"))
        else:
            for table in ("ledger_event", "outbox_message", "site_head"):
                session.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER USER"))
        session.execute(text(statement))
