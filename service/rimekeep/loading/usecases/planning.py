"""Planning asked for in the background: a queue of jobs, taken one after the other by the elected process."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import caller_of
from rimekeep.errors import Conflict, Refused, RimekeepError
from rimekeep.loading import queries
from rimekeep.loading.core.states import JobState
from rimekeep.loading.tables import LoadPlanRow, PlanningJob
from rimekeep.loading.usecases.plan import plan_day
from rimekeep.platform.compute import Runs
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.wording import say

# Whoever plans says so more often than this; a job silent for longer was left by a process that ended.
SILENT = timedelta(seconds=30)
# What the caller says of a job that found no plan because the process ended.
INTERRUPTED = say("The process that planned ended before it was done; nothing was written. Ask again.")


def ask_for_plan(
    session: Session, now: datetime, caller: Caller, *, ship_on: date, asked: Mapping[str, Any]
) -> PlanningJob:
    """Put a day's planning into the queue; ``asked`` is what `plan_day` takes, as plain JSON."""
    added = PlanningJob(
        site_id=caller.site_id,
        ship_on=ship_on,
        state=JobState.WAITING,
        asked=dict(asked),
        asked_at=now,
        asked_by=caller.id,
        stage="waiting",
    )
    session.add(added)
    session.flush()
    data = {"id": added.id, "ship_on": ship_on.isoformat()}
    record(session, caller.site_id, Event("planning.asked", now, actor_id=caller.id, data=data))
    return added


def stop_planning(session: Session, now: datetime, caller: Caller, job_id: int) -> PlanningJob:
    """
    End a job: one that waits at once, one that runs with the best plan it has found so far.

    Asking twice changes nothing; a job that is over stays what it is.
    """
    job = queries.planning_job(session, caller.site_id, job_id, is_locked=True)
    if job.state not in (JobState.WAITING, JobState.RUNNING):
        raise Conflict(
            "job-over",
            say("Planning job {id} is {state}.", id=job.id, state=job.state),
            data={"id": job.id, "state": job.state},
        )
    if job.state == JobState.WAITING:
        job.state, job.ended_at, job.stage = JobState.CANCELLED, now, "cancelled"
    if not job.wants_stop:
        job.wants_stop = True
        data = {"id": job.id, "ship_on": job.ship_on.isoformat()}
        record(session, caller.site_id, Event("planning.stopped", now, actor_id=caller.id, data=data))
    session.flush()
    return job


@dataclass(frozen=True, slots=True)
class Taken:
    """A job that is to be planned now; ``caller`` is None if who asked is no longer active."""

    id: int
    site_id: int
    caller: Caller | None
    asked: Mapping[str, Any]


def take_job(session: Session, now: datetime) -> Taken | None:
    """Return the job that waited longest, now running, or None."""
    job: PlanningJob | None = session.scalar(
        select(PlanningJob)
        .where(col(PlanningJob.state) == JobState.WAITING)
        .order_by(col(PlanningJob.id))
        .limit(1)
        .with_for_update(skip_locked=True)
        .execution_options(populate_existing=True)
    )
    if job is None:
        return None
    job.state, job.begun_at, job.heard_at, job.stage = JobState.RUNNING, now, now, "reading"
    session.flush()
    return Taken(job.id, job.site_id, caller_of(session, job.asked_by), job.asked)


def note_progress(
    session: Session,
    now: datetime,
    job_id: int,
    *,
    stage: str | None = None,
    vehicles: int | None = None,
    bound: int | None = None,
) -> bool:
    """Note how far a running job is; return False when it is to end."""
    said = {"stage": stage, "vehicles": vehicles, "lower_bound": bound}
    row = session.execute(
        update(PlanningJob)
        .where(col(PlanningJob.id) == job_id, col(PlanningJob.state) == JobState.RUNNING)
        .values(heard_at=now, **{key: value for key, value in said.items() if value is not None})
        .returning(col(PlanningJob.wants_stop))
        .execution_options(synchronize_session=False)
    ).one_or_none()
    return row is not None and not row[0]


def plan_job(session: Session, now: datetime, taken: Taken, compute: Runs) -> LoadPlanRow:
    """
    Plan what a job asks for and note its end, both in this one transaction.

    Raises Conflict when the job was given up meanwhile, so that no plan is left behind.
    """
    if taken.caller is None:
        raise Refused("asker-inactive", say("Whoever asked for this plan is no longer active at the site."))
    caller = taken.caller
    made = plan_day(session, now, caller, compute, **_read(taken.asked))
    job = queries.planning_job(session, caller.site_id, taken.id, is_locked=True)
    if job.state != JobState.RUNNING:
        raise Conflict(
            "job-over", say("Planning job {id} is {state}.", id=job.id, state=job.state), data={"id": job.id}
        )
    job.state, job.ended_at, job.stage, job.plan_id = JobState.DONE, now, "done", made.id
    job.vehicles, job.lower_bound = len(queries.trips_of(session, made.id)), made.lower_bound
    session.flush()
    data = {"id": job.id, "plan_id": made.id, "status": made.status, "ship_on": made.ship_on.isoformat()}
    announce(session, caller.site_id, Notice("planning.done", now, data))
    return made


def fail_job(session: Session, now: datetime, taken: Taken, error: RimekeepError | None) -> None:
    """Note that a job found no plan because the request could not be planned, or by a fault of ours."""
    found = queries.planning_job(session, taken.site_id, taken.id, is_locked=True)
    if found.state != JobState.RUNNING:
        return
    found.state, found.ended_at, found.stage = JobState.FAILED, now, "failed"
    found.problem = {
        "code": error.code if error else "planning-failed",
        "detail": error.detail if error else say("Planning failed; the service's log says why."),
        "errors": [
            {"field": fault.field, "detail": fault.detail, "mend": fault.mend}
            for fault in (error.faults if error else ())
        ],
        "data": dict(error.data) if error else {},
    }
    session.flush()


def give_up(session: Session, now: datetime, job_id: int) -> None:
    """Note that a running job ends without a plan, because its process does."""
    session.execute(
        update(PlanningJob)
        .where(col(PlanningJob.id) == job_id, col(PlanningJob.state) == JobState.RUNNING)
        .values(**_interrupted(now))
        .execution_options(synchronize_session=False)
    )


def note_interrupted(session: Session, now: datetime) -> None:
    """Note of all running jobs that nobody is heard from that they were interrupted."""
    session.execute(
        update(PlanningJob)
        .where(col(PlanningJob.state) == JobState.RUNNING, col(PlanningJob.heard_at) < now - SILENT)
        .values(**_interrupted(now))
        .execution_options(synchronize_session=False)
    )


def _interrupted(now: datetime) -> dict[str, Any]:
    problem = {"code": "planning-interrupted", "detail": INTERRUPTED, "errors": [], "data": {}}
    return {
        "state": JobState.INTERRUPTED,
        "ended_at": now,
        "stage": "interrupted",
        "problem": problem,
    }


def _read(asked: Mapping[str, Any]) -> dict[str, Any]:
    return {**asked, "ship_on": date.fromisoformat(asked["ship_on"])}
