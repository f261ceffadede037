"""The migrations make exactly the tables the code describes, on both databases, and can be taken back."""

from alembic import command

import rimekeep.main  # noqa: F401 - every feature's tables
from rimekeep.platform import migrate
from rimekeep.platform.database import Database


def test_migrated_database_has_the_tables_of_the_code(database: Database) -> None:
    assert migrate.difference(database.engine) == []
    assert migrate.is_current(database.engine)


def test_downgrade_leaves_nothing_and_upgrade_comes_back(database: Database) -> None:
    config = migrate._config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
    assert not migrate.is_current(database.engine)
    migrate.upgrade(database.engine)
    assert migrate.difference(database.engine) == []


def test_upgrading_twice_changes_nothing(database: Database) -> None:
    migrate.upgrade(database.engine)
    assert migrate.is_current(database.engine)
