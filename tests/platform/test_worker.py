"""What the scheduler's process does with the features' jobs."""

from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from rimekeep.access.usecases import open_new_site
from rimekeep.platform.database import Database
from rimekeep.platform.journal import Event, LedgerEvent, record
from rimekeep.worker import in_each_site, make_scheduler

AT = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)


def test_one_site_s_failure_does_not_stop_the_others(database: Database) -> None:
    with database.transaction() as session:
        ids = [open_new_site(session, AT, code=code, name=code)[0].id for code in ("A", "B", "C")]

    def work(session: Session, now: datetime, site_id: int) -> None:
        record(session, site_id, Event("job.worked", now))
        if site_id == ids[1]:
            raise RuntimeError("this site's data cannot be worked on")

    in_each_site(work)(database, AT)
    with database.transaction(readonly=True) as session:
        worked = session.scalars(select(LedgerEvent.site_id).where(LedgerEvent.kind == "job.worked")).all()
    assert sorted(worked) == [ids[0], ids[2]]


def test_the_scheduler_starts_and_stops_with_every_job(database: Database) -> None:
    scheduler = make_scheduler(database)
    scheduler.start()
    scheduler.stop()
