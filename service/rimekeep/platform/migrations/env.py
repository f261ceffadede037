"""Alembic's entry: the connection is handed in; there is no offline mode."""

from typing import Any, Literal

from alembic import context
from sqlalchemy import String
from sqlmodel import SQLModel

from rimekeep.platform.columns import BigId, Json, UtcDateTime
from rimekeep.platform.migrate import no_pieces


def render(kind: str, item: Any, _context: Any) -> str | Literal[False]:
    """Write our column types into a drafted migration by their own names."""
    if kind != "type":
        return False
    if isinstance(item, UtcDateTime):
        return "columns.UtcDateTime()"
    if item is BigId:
        return "columns.BigId"
    if item is Json:
        return "columns.Json"
    impl = getattr(item, "impl", item)
    return "sa.String()" if isinstance(impl, String) else False


connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=SQLModel.metadata,
    # SQLite changes a table by copying it.
    render_as_batch=connection.dialect.name == "sqlite",
    render_item=render,
    compare_type=True,
    include_name=no_pieces(connection),
)
with context.begin_transaction():
    context.run_migrations()
