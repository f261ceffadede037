"""One process is elected to run the jobs; a failing job stops neither itself nor the others."""

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import pytest
from sqlalchemy import text

from builders.postgres import PostgresServer
from rimekeep.platform import scheduler as scheduler_module
from rimekeep.platform.database import Database
from rimekeep.platform.scheduler import Duty, Election, Job, Scheduler
from rimekeep.platform.settings import load_settings

ATTEND_EVERY_S = 0.4


@pytest.fixture(autouse=True)
def attend_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look after duties often, so that nobody here waits long."""
    monkeypatch.setattr(scheduler_module, "ATTEND_EVERY_S", ATTEND_EVERY_S)


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
        # The other backend is told to end, and does so a moment later.
        until(second.is_won)
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
        assert enough.wait(60)
    finally:
        scheduler.stop()
    assert all(now.tzinfo is not None for now in ran)


def until(is_so: Callable[[], bool]) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + 60
    while not is_so():
        assert time.monotonic() < deadline, "it did not come to that"
        time.sleep(0.01)


class Post:
    """A duty that writes down when it is begun and ended; it fails the first time."""

    def __init__(self) -> None:
        self.begun = self.ended = 0
        self.is_begun = threading.Event()

    def run(self, _database: Database, stopped: threading.Event) -> None:
        self.begun += 1
        if self.begun == 1:
            raise RuntimeError("first time fails")
        self.is_begun.set()
        stopped.wait(300)
        self.ended += 1


def test_a_duty_is_done_by_the_elected_one_only_and_begun_again_when_it_failed(
    database: Database, elsewhere: Database
) -> None:
    first, second = Post(), Post()
    elected = Scheduler(database, [], [Duty("watch", first.run)])
    elected.start()
    assert first.is_begun.wait(60)
    waiting = Scheduler(elsewhere, [], [Duty("watch", second.run)])
    waiting.start()
    try:
        assert not second.is_begun.wait(2.5 * ATTEND_EVERY_S)
        assert second.begun == 0
        elected.stop()
        assert (first.begun, first.ended) == (2, 1)
        assert second.is_begun.wait(60)
    finally:
        waiting.stop()
    assert second.ended == 1


def test_a_duty_ends_when_the_office_is_lost(postgres: PostgresServer, postgres_template: str) -> None:
    """On PostgreSQL the office is a session lock, and a session can be lost; who waits for it takes over."""
    url = postgres.url(postgres.create(postgres_template))
    here, elsewhere = (Database(load_settings(database_url=url)) for _ in range(2))
    post = Post()
    scheduler = Scheduler(here, [], [Duty("watch", post.run)])
    scheduler.start()
    try:
        assert post.is_begun.wait(60)
        with (
            elsewhere.engine.connect() as rival,
            elsewhere.engine.connect() as other,
            ThreadPoolExecutor(1) as pool,
        ):
            # Already in the queue for the lock, so that the first holder cannot be quicker and have it back.
            lock = text("SELECT pg_advisory_lock(hashtextextended(:name, 0))")
            taken = pool.submit(rival.execute, lock, {"name": scheduler_module.LOCK_NAME})
            waiting = text("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted")
            until(lambda: other.scalar(waiting) == 1)
            other.execute(
                text("SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' AND granted")
            )
            taken.result(60)
            until(lambda: post.ended > 0)
            assert (post.begun, post.ended) == (2, 1)
            rival.invalidate()
    finally:
        scheduler.stop()
        here.dispose()
        elsewhere.dispose()
