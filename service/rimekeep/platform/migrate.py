"""Bring a database to this version's tables."""

from collections.abc import Callable
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine

from rimekeep.platform.partitions import partition_names

HERE = Path(__file__).parent / "migrations"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(HERE))
    config.set_main_option("path_separator", "os")
    return config


def upgrade(engine: Engine, target: str = "head") -> None:
    """Run the migrations up to ``target``, all or none."""
    config = _config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, target)


def newest() -> str | None:
    """Return this version's newest migration."""
    return ScriptDirectory.from_config(_config()).get_current_head()


def is_current(engine: Engine) -> bool:
    """Tell whether the database stands at this version's newest migration."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision() == newest()


def draft(engine: Engine, message: str) -> None:
    """Write a new migration from the difference between tables and database; for contributors."""
    config = _config()
    with engine.connect() as connection:
        config.attributes["connection"] = connection
        command.revision(config, message=message, autogenerate=True)


def no_pieces(connection: Connection) -> Callable[[str | None, str, object], bool]:
    """Return the filter by which a comparison passes over the monthly pieces of partitioned tables."""
    pieces = partition_names(connection)
    return lambda name, kind, _parent: kind != "table" or name not in pieces


def difference(engine: Engine) -> list[object]:
    """Return what the tables in the code have that the migrated database has not, and the other way round."""
    from alembic.autogenerate import compare_metadata
    from sqlmodel import SQLModel

    with engine.connect() as connection:
        opts = {"compare_type": True, "include_name": no_pieces(connection)}
        context = MigrationContext.configure(connection, opts=opts)
        return list(compare_metadata(context, SQLModel.metadata))
