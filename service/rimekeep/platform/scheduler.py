"""The one elected scheduler: jobs run in a single process, however many are started."""

import fcntl
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import structlog
from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.orm import Session

from rimekeep.platform.database import Database

log = structlog.get_logger("rimekeep.jobs")
LOCK_NAME = "rimekeep scheduler"
ATTEND_EVERY_S = 2
LEAVE_WITHIN_S = 15


@dataclass(frozen=True, slots=True)
class Job:
    """Something done again and again."""

    name: str
    run: Callable[[Database, datetime], object]
    every_s: float


@dataclass(frozen=True, slots=True)
class Duty:
    """Something done without end by the elected process; ``run`` returns soon after its event is set."""

    name: str
    run: Callable[[Database, threading.Event], object]


def in_transaction(run: Callable[[Session, datetime], object]) -> Callable[[Database, datetime], None]:
    """Return ``run`` as a job that is one transaction."""

    def wrapped(database: Database, now: datetime) -> None:
        with database.transaction() as session:
            run(session, now)

    return wrapped


class Election:
    """Tells whether this process is the one that runs the jobs."""

    def __init__(self, database: Database) -> None:
        """Stand for election; nothing is locked yet."""
        self._database = database
        self._stack = ExitStack()
        self._won: Connection | bool = False
        self._asking = threading.Lock()

    def is_won(self) -> bool:
        """Try to win if not yet won; a lost connection loses the office. Jobs ask from several threads."""
        with self._asking:
            return self._ask()

    def _ask(self) -> bool:
        if self._won is False:
            self._won = self._try_file() if self._database.settings.is_sqlite else self._try_advisory()
        elif isinstance(self._won, Connection):
            try:
                self._won.execute(text("SELECT 1"))
            except DBAPIError:
                self._leave()
        return self._won is not False

    def _try_file(self) -> bool:
        database_file = self._database.settings.sqlite_file or Path("rimekeep")
        handle = self._stack.enter_context(database_file.with_suffix(".jobs.lock").open("w"))
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._stack.close()
            return False
        return True

    def _try_advisory(self) -> Connection | bool:
        connection = self._database.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        if connection.scalar(
            text("SELECT pg_try_advisory_lock(hashtextextended(:name, 0))"), {"name": LOCK_NAME}
        ):
            return connection
        connection.close()
        return False

    def resign(self) -> None:
        """Give the office up."""
        if isinstance(self._won, Connection):
            # Said, not only hung up: the server notices that a moment later, and the next would ask in vain.
            with suppress(SQLAlchemyError):
                self._won.execute(
                    text("SELECT pg_advisory_unlock(hashtextextended(:name, 0))"), {"name": LOCK_NAME}
                )
        self._leave()

    def _leave(self) -> None:
        if isinstance(self._won, Connection):
            self._won.invalidate()
            self._won.close()
        self._stack.close()
        self._won = False


class _Post:
    """A duty being done, in a thread of its own."""

    def __init__(self, duty: Duty, database: Database) -> None:
        self.stopped = threading.Event()
        self._duty, self._database = duty, database
        self.thread = threading.Thread(target=self._run, name=duty.name, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            self._duty.run(self._database, self.stopped)
        except Exception:
            # Begun anew at the next look.
            log.exception("duty failed", duty=self._duty.name)


class Scheduler:
    """Runs jobs on their intervals, and duties without end, while this process is the elected one."""

    def __init__(self, database: Database, jobs: list[Job], duties: Sequence[Duty] = ()) -> None:
        """Prepare; :meth:`start` begins."""
        self._database = database
        self._election = Election(database)
        self._scheduler = BackgroundScheduler(timezone=UTC)
        for job in jobs:
            self._scheduler.add_job(
                self._run,
                "interval",
                seconds=job.every_s,
                args=[job],
                id=job.name,
                max_instances=1,
                coalesce=True,
            )
        self._posts: dict[str, _Post] = {}
        for duty in duties:
            self._scheduler.add_job(
                self._attend,
                "interval",
                seconds=ATTEND_EVERY_S,
                args=[duty],
                id=duty.name,
                max_instances=1,
                coalesce=True,
                next_run_time=datetime.now(UTC),
            )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def stop(self) -> None:
        """End after the jobs that are running."""
        self._scheduler.shutdown(wait=True)
        for post in self._posts.values():
            post.stopped.set()
        for post in self._posts.values():
            post.thread.join(LEAVE_WITHIN_S)
        self._election.resign()

    def _attend(self, duty: Duty) -> None:
        """See that the duty is done while this process is elected, and not otherwise."""
        try:
            is_won = self._election.is_won()
        except SQLAlchemyError:
            is_won = False
        post = self._posts.get(duty.name)
        is_done = post is not None and post.thread.is_alive()
        if is_won and not is_done:
            self._posts[duty.name] = _Post(duty, self._database)
        elif post is not None and not is_won:
            post.stopped.set()

    def _run(self, job: Job) -> None:
        try:
            if not self._election.is_won():
                return
            job.run(self._database, datetime.now(UTC))
        except Exception:
            # A job that fails is tried again at its next turn; the others must not stop for it.
            log.exception("job failed", job=job.name)
