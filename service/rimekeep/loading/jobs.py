"""Planning in the background, by the elected process."""

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import ParamSpec, TypeVar

import structlog
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from rimekeep.errors import RimekeepError
from rimekeep.loading import queries, usecases
from rimekeep.loading.core.effort import Progress
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
    """Runs planning in another process, notes how far it is, and leaves when this process is to end."""

    def __init__(
        self, compute: Compute, stopped: threading.Event, note: Callable[[datetime, Progress | None], bool]
    ) -> None:
        """``note`` writes progress down (None: none but that it is alive) and tells whether to go on."""
        self._compute, self._stopped, self._note = compute, stopped, note
        self._noted_at, self._goes_on = float("-inf"), True
        self._last: Progress | None = None

    def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Return the result of ``work``, which takes ``tell``."""
        found: R = self._compute.follow(work, self._hear, *args, **kwargs)
        return found

    def _hear(self, word: Progress | None) -> bool:
        if self._stopped.is_set():
            raise Ended
        is_news = word is not None and (self._last is None or _shown(word) != _shown(self._last))
        self._last = word or self._last
        if is_news or time.monotonic() - self._noted_at > SAY_EVERY_S:
            self._noted_at = time.monotonic()
            self._goes_on = self._note(datetime.now(UTC), word) and self._goes_on
        return self._goes_on


def _shown(word: Progress) -> tuple[str, int | None, int]:
    return word.stage, word.vehicles, word.lower_bound


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
            watched = Watched(compute, stopped, partial(_note, database, taken.id))
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


def _note(database: Database, job_id: int, at: datetime, word: Progress | None) -> bool:
    try:
        with database.transaction() as session:
            if word is None:
                return usecases.note_progress(session, at, job_id)
            return usecases.note_progress(
                session, at, job_id, stage=word.stage, vehicles=word.vehicles, bound=word.lower_bound
            )
    except SQLAlchemyError:
        # Word of progress is no reason to lose the plan.
        log.warning("progress not noted", job_id=job_id)
        return True


def _fail(database: Database, taken: usecases.Taken, error: RimekeepError | None) -> None:
    with database.transaction() as session:
        usecases.fail_job(session, datetime.now(UTC), taken, error)


def note_interrupted(session: Session, now: datetime) -> None:
    """Note of all running jobs that nobody is heard from that they were interrupted."""
    usecases.note_interrupted(session, now)
