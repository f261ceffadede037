"""
Changes to tables that hold rows, made in place on both databases.

SQLite could only make a table that others point to anew outside a transaction, so what stored rows do not
depend on (a check, a column that may be empty) is changed in the table's own words.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

_KINDS = {
    "ID": ("INTEGER", "BIGINT"),
    "INSTANT": ("DATETIME", "TIMESTAMP WITH TIME ZONE"),
    "DOC": ("JSON", "JSONB"),
}


def is_sqlite() -> bool:
    """Tell which of the two databases is being migrated."""
    return op.get_bind().dialect.name == "sqlite"


def add(table: str, column: str) -> None:
    """Add a column, given in SQL with its constraints; ID, INSTANT, DOC stand for either database's kind."""
    for word, kinds in _KINDS.items():
        column = column.replace(f" {word}", f" {kinds[0 if is_sqlite() else 1]}")
    op.execute(f"ALTER TABLE {table} ADD COLUMN {column}")


def change_check(table: str, name: str, before: str, after: str) -> None:
    """Let a check allow something else; what is stored must meet it already."""
    if is_sqlite():
        _reword(table, f"CHECK ({before})", f"CHECK ({after})")
        return
    op.drop_constraint(op.f(f"ck_{table}__{name}"), table, type_="check")
    op.create_check_constraint(op.f(f"ck_{table}__{name}"), table, after)


def add_check(table: str, name: str, check: str) -> None:
    """Hold a table to one check more; what is stored must meet it already."""
    if is_sqlite():
        primary = f"CONSTRAINT pk_{table} PRIMARY KEY"
        _reword(table, primary, f"CONSTRAINT ck_{table}__{name} CHECK ({check}), {primary}")
        return
    op.create_check_constraint(op.f(f"ck_{table}__{name}"), table, check)


def tie_check(table: str, column: str, kind: str, name: str, check: str) -> None:
    """Hold a column of a table just made to a check of its own; SQLite drops such a column with its check."""
    _reword(table, f"{column} {kind}", f"{column} {kind} CONSTRAINT ck_{table}__{name} CHECK ({check})")


def drop_check(table: str, name: str, check: str) -> None:
    """Take back what `add_check` did."""
    if is_sqlite():
        _reword(table, f"CONSTRAINT ck_{table}__{name} CHECK ({check}), ", "")
        return
    op.drop_constraint(op.f(f"ck_{table}__{name}"), table, type_="check")


def change_unique(table: str, before: Sequence[str], after: Sequence[str]) -> None:
    """Let a table's only unique constraint be over other columns; what is stored must meet it already."""
    names = [f"uq_{table}__{'_'.join(columns)}" for columns in (before, after)]
    if is_sqlite():
        words = [
            f"CONSTRAINT {name} UNIQUE ({', '.join(columns)})"
            for name, columns in zip(names, (before, after), strict=True)
        ]
        _reword(table, *words)
        # The index the constraint is kept by holds the columns of before.
        op.execute(f"REINDEX {table}")
        return
    op.drop_constraint(op.f(names[0]), table, type_="unique")
    op.create_unique_constraint(op.f(names[1]), table, list(after))


def allow_null(table: str, column: str, kind: str, *, is_allowed: bool) -> None:
    """Let a column be empty, or no longer; ``kind`` is SQLite's word for its type."""
    if is_sqlite():
        words = (f"{column} {kind} NOT NULL", f"{column} {kind}")
        _reword(table, *(words if is_allowed else words[::-1]))
        return
    op.alter_column(table, column, nullable=is_allowed)


def _reword(table: str, before: str, after: str) -> None:
    found = sa.text("SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = :name")
    words = str(op.get_bind().scalar(found, {"name": table}))
    if words.count(before) != 1:
        raise RuntimeError(f"{table} does not say {before!r} once: {words}")
    op.execute("PRAGMA writable_schema = ON")
    op.get_bind().execute(
        sa.text("UPDATE sqlite_schema SET sql = :words WHERE type = 'table' AND name = :name"),
        {"words": words.replace(before, after), "name": table},
    )
    version = op.get_bind().scalar(sa.text("PRAGMA schema_version"))
    op.execute(f"PRAGMA schema_version = {int(version or 0) + 1}")
    op.execute("PRAGMA writable_schema = OFF")
