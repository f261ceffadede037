"""The scheduler process: life refresh, excursion check, leases, alerts, housekeeping."""

import signal
import threading
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.alerts import jobs as alerts_jobs
from rimekeep.excursions import jobs as excursions_jobs
from rimekeep.picking import jobs as picking_jobs
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import forget_old
from rimekeep.platform.log import configure_logs
from rimekeep.platform.scheduler import Job, Scheduler, in_transaction
from rimekeep.platform.settings import load_settings
from rimekeep.shelflife import jobs as shelflife_jobs


def housekeeping(session: Session, now: datetime) -> None:
    """Drop stored answers nobody will ask for again."""
    forget_old(session, now)


def make_scheduler(database: Database) -> Scheduler:
    """Return the scheduler with every feature's jobs."""
    settings = database.settings
    return Scheduler(
        database,
        [
            Job("refresh life", in_transaction(shelflife_jobs.refresh), settings.refresh_every_s),
            Job("check the cold", in_transaction(excursions_jobs.check), min(60, settings.refresh_every_s)),
            Job("return leases", in_transaction(picking_jobs.return_leases), 15),
            Job("deliver alerts", alerts_jobs.deliver, settings.deliver_every_s),
            Job("housekeeping", in_transaction(housekeeping), 3600),
        ],
    )


def main() -> None:
    """Run the jobs alone, for installations that serve from several processes."""
    settings = load_settings()
    configure_logs(settings.log_level, settings.log_format)
    database = Database(settings)
    stopped = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopped.set())
    scheduler = make_scheduler(database)
    scheduler.start()
    stopped.wait()
    scheduler.stop()
    database.dispose()


if __name__ == "__main__":
    main()
