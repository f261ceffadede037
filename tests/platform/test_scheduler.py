"""One process is elected to run the jobs; a failing job stops neither itself nor the others."""

import threading
from collections.abc import Iterator
from datetime import datetime

import pytest
from sqlalchemy import text

from rimekeep.platform.database import Database
from rimekeep.platform.scheduler import Election, Job, Scheduler


@pytest.fixture
def elsewhere(database: Database) -> Iterator[Database]:
    """The same database as another process would open it."""
    opened = Database(database.settings)
    yield opened
    opened.dispose()


def test_only_one_of_two_is_elected_and_the_other_takes_over(database: Database, elsewhere: Database) -> None:
    first, second = Election(database), Election(elsewhere)
    assert first.is_won()
    assert first.is_won()
    assert not second.is_won()
    first.resign()
    assert second.is_won()
    second.resign()


def test_a_lost_connection_loses_the_office(database: Database, elsewhere: Database) -> None:
    """On PostgreSQL the office is a session lock: whoever loses the session must notice."""
    first, second = Election(database), Election(elsewhere)
    assert first.is_won()
    if not database.settings.is_sqlite:
        with database.engine.connect() as connection:
            connection.execute(
                text(
                    "SELECT pg_terminate_backend(pid) FROM pg_locks "
                    "WHERE locktype = 'advisory' AND pid <> pg_backend_pid()"
                )
            )
        assert second.is_won()
        assert not first.is_won()
    first.resign()
    second.resign()


def test_jobs_run_again_after_one_failed(database: Database) -> None:
    ran: list[datetime] = []
    enough = threading.Event()

    def work(_database: Database, now: datetime) -> None:
        ran.append(now)
        if len(ran) == 1:
            raise RuntimeError("first turn fails")
        enough.set()

    scheduler = Scheduler(database, [Job("work", work, 0.05)])
    scheduler.start()
    try:
        assert enough.wait(10)
    finally:
        scheduler.stop()
    assert all(now.tzinfo is not None for now in ran)
