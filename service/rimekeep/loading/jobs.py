"""Planning in the background, by the elected process."""

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as StillRunning
from datetime import UTC, datetime
from typing import ParamSpec, TypeVar

import structlog
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from rimekeep.errors import RimekeepError
from rimekeep.loading import queries, usecases
from rimekeep.platform.compute import Compute
from rimekeep.platform.database import Database

log = structlog.get_logger("rimekeep.jobs")

P = ParamSpec("P")
R = TypeVar("R")
LOOK_EVERY_S = 0.5
# Often enough that a dispatcher sees it move, and that a job is not taken for an abandoned one.
SAY_EVERY_S = 2.0


class Ended(Exception):  # noqa: N818 - named as what happened
    """This process is to end before the plan is there."""


class Watched:
    """Runs planning in another process, says so meanwhile, and leaves when this process is to end."""

    def __init__(self, compute: Compute, stopped: threading.Event, say: Callable[[datetime], None]) -> None:
        """``say`` notes that the job is alive."""
        self._compute, self._stopped, self._say = compute, stopped, say

    def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Return the result of ``work``."""
        future = self._compute.start(work, *args, **kwargs)
        said_at = 0.0
        while not self._stopped.is_set():
            if time.monotonic() - said_at > SAY_EVERY_S:
                said_at = time.monotonic()
                self._say(datetime.now(UTC))
            if (found := _after(future, 0.2)) is not None:
                return found.result()
        future.cancel()
        raise Ended


def _after(future: "Future[R]", timeout_s: float) -> "Future[R] | None":
    try:
        future.exception(timeout_s)
    except StillRunning:
        return None
    return future


def plan_without_end(database: Database, stopped: threading.Event) -> None:
    """Plan what waits, one job after the other, until stopped."""
    compute = Compute(database.settings.compute_workers)
    try:
        while not stopped.is_set():
            if not plan_next(database, datetime.now(UTC), compute, stopped):
                stopped.wait(LOOK_EVERY_S)
    finally:
        compute.close(is_waiting=False)


def plan_next(database: Database, now: datetime, compute: Compute, stopped: threading.Event) -> bool:
    """Plan the job that waited longest; return whether there was one."""
    with database.transaction(readonly=True) as session:
        if not queries.is_any_waiting(session):
            return False
    with database.transaction() as session:
        taken = usecases.take_job(session, now)
    if taken is None:
        return False
    try:
        with database.transaction() as session:
            watched = Watched(compute, stopped, lambda at: _say(database, at, taken.id))
            usecases.plan_job(session, now, taken, watched)
    except Ended:
        with database.transaction() as session:
            usecases.give_up(session, datetime.now(UTC), taken.id)
    except RimekeepError as error:
        _fail(database, taken, error)
    except Exception:
        log.exception("planning failed", job_id=taken.id)
        _fail(database, taken, None)
    return True


def _say(database: Database, at: datetime, job_id: int) -> None:
    try:
        with database.transaction() as session:
            usecases.note_progress(session, at, job_id, stage="planning")
    except SQLAlchemyError:
        # Word of progress is no reason to lose the plan.
        log.warning("progress not noted", job_id=job_id)


def _fail(database: Database, taken: usecases.Taken, error: RimekeepError | None) -> None:
    with database.transaction() as session:
        usecases.fail_job(session, datetime.now(UTC), taken, error)


def note_interrupted(session: Session, now: datetime) -> None:
    """Note of all running jobs that nobody is heard from that they were interrupted."""
    usecases.note_interrupted(session, now)
