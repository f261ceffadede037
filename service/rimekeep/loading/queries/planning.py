"""Reads of planning jobs."""

from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.loading.core.states import JobState
from rimekeep.loading.tables import PlanningJob
from rimekeep.platform.database import Listing


def planning_job(session: Session, site_id: int, job_id: int, *, is_locked: bool = False) -> PlanningJob:
    """Return a job of the site; locked, nobody else changes it until this transaction ends."""
    statement = select(PlanningJob).where(col(PlanningJob.site_id) == site_id, col(PlanningJob.id) == job_id)
    if is_locked:
        statement = statement.with_for_update().execution_options(populate_existing=True)
    found: PlanningJob | None = session.scalar(statement)
    if found is None:
        raise missing("planning job", job_id)
    return found


def planning_jobs(site_id: int, *, ship_on: date | None, state: JobState | None) -> Listing:
    """Return the statement for a site's jobs, and its order."""
    statement = select(PlanningJob).where(col(PlanningJob.site_id) == site_id)
    if ship_on is not None:
        statement = statement.where(col(PlanningJob.ship_on) == ship_on)
    if state is not None:
        statement = statement.where(col(PlanningJob.state) == state)
    return statement, [col(PlanningJob.id)]


def is_any_waiting(session: Session) -> bool:
    """Tell whether any site waits for a plan."""
    found = select(col(PlanningJob.id)).where(col(PlanningJob.state) == JobState.WAITING).limit(1)
    return session.scalar(found) is not None
