"""The scheduler process: life refresh, excursion check, leases, alerts, housekeeping."""

import signal
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial

import structlog
from sqlalchemy.orm import Session

from rimekeep.access import jobs as access_jobs
from rimekeep.access.queries import all_sites
from rimekeep.access.usecases import forget_old_sign_ins
from rimekeep.alerts import jobs as alerts_jobs
from rimekeep.climate import jobs as climate_jobs
from rimekeep.climate.listener import Listener
from rimekeep.excursions import jobs as excursions_jobs
from rimekeep.excursions import queries as excursions
from rimekeep.loading import jobs as loading_jobs
from rimekeep.picking import jobs as picking_jobs
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import forget_old
from rimekeep.platform.log import configure_logs
from rimekeep.platform.scheduler import Duty, Job, Scheduler, in_transaction
from rimekeep.platform.settings import load_settings
from rimekeep.shelflife import jobs as shelflife_jobs
from rimekeep.shelflife import queries as shelflife
from rimekeep.tracing.epcis import jobs as epcis_jobs
from rimekeep.tracing.recall import jobs as recall_jobs

log = structlog.get_logger("rimekeep.jobs")

# A picker is told of a hold within this and their next call.
REALLOCATE_EVERY_S = 5
# What happened can be asked for in EPCIS after this long.
EXCHANGE_EVERY_S = 5


def housekeeping(session: Session, now: datetime) -> None:
    """Drop stored answers nobody will ask for again, and what guarded sign-ins long ago."""
    forget_old(session, now)
    forget_old_sign_ins(session, now)


def in_each_site(run: Callable[[Session, datetime, int], None]) -> Callable[[Database, datetime], None]:
    """Return ``run`` as a job with a transaction per site: one site's failure does not stop the others."""

    def wrapped(database: Database, now: datetime) -> None:
        with database.transaction(readonly=True) as session:
            site_ids = [site.id for site in all_sites(session)]
        for site_id in site_ids:
            try:
                with database.transaction() as session:
                    run(session, now, site_id)
            except Exception:
                log.exception("job failed at a site", job=run.__name__, site_id=site_id)

    return wrapped


def listen(database: Database, stopped: threading.Event) -> None:
    """Take in readings over MQTT until stopped."""
    broker = database.settings.broker
    if broker is not None:
        Listener(database, broker, lambda: datetime.now(UTC)).run(stopped)


def readings_needed_from(session: Session, site_id: int, now: datetime) -> datetime:
    """Return from when on any feature still needs a site's readings one by one."""
    return min(
        shelflife.needed_from(session, site_id, now),
        excursions.readings_needed_from(session, site_id, now),
    )


def make_scheduler(database: Database) -> Scheduler:
    """Return the scheduler with every feature's jobs, and the listener if a broker is named."""
    settings = database.settings
    return Scheduler(
        database,
        [
            Job("refresh life", in_each_site(shelflife_jobs.refresh), settings.refresh_every_s),
            Job("check the cold", in_each_site(excursions_jobs.check), min(60, settings.refresh_every_s)),
            Job("serve lines anew", picking_jobs.reallocate, REALLOCATE_EVERY_S),
            Job("look ahead", in_each_site(picking_jobs.look_ahead), 3600),
            Job("fill pick bays", in_each_site(picking_jobs.fill_pick_bays), 300),
            Job("return leases", in_transaction(picking_jobs.return_leases), 15),
            Job("notice planning that ended", in_transaction(loading_jobs.note_interrupted), 15),
            Job("exchange EPCIS", epcis_jobs.exchange, EXCHANGE_EVERY_S),
            Job("remind of recalls", in_each_site(recall_jobs.remind), 300),
            Job("prepare months", in_transaction(climate_jobs.prepare_months), 3600),
            Job("thin old readings", partial(climate_jobs.retain, needed_from=readings_needed_from), 3600),
            Job("keep records", in_each_site(access_jobs.keep_records), 86_400),
            Job("forget delivered alerts", in_each_site(alerts_jobs.forget_letters), 86_400),
            Job("housekeeping", in_transaction(housekeeping), 3600),
        ],
        [
            Duty("plan loads", loading_jobs.plan_without_end),
            Duty("deliver alerts", alerts_jobs.deliver_without_end),
            *([Duty("listen to the broker", listen)] if settings.mqtt_url is not None else []),
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
