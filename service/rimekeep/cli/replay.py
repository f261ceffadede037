"""Lots and orders of a database, or of the demo, replayed under other policies."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.queries import admin_of
from rimekeep.cli.demo.files import Scenario, find_folder
from rimekeep.cli.demo.load import load
from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.orders import queries as orders
from rimekeep.picking.core.policies import Comparison, compare, own_world
from rimekeep.picking.queries.replay import lines_seen, lots_seen
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import is_current, upgrade
from rimekeep.platform.settings import load_settings
from rimekeep.stock import queries as stock

LEAST_DAYS = 28


def compare_own(
    session: Session,
    site: str | None,
    sku: str | None,
    start: date | None,
    end: date | None,
    days: int | None,
    draws: dict[str, Any],
    confidence: float,
) -> tuple[dict[str, Comparison], dict[str, Any]]:
    """Return the comparison of each product that came in and was ordered, and the period drawn from."""
    site_id = admin_of(session, site).site_id
    first = start or orders.first_delivery(session, site_id)
    last = end or orders.last_order_day(session, site_id)
    if first is None or last is None or last < first:
        raise invalid(
            "--from", "There are no orders in that period.", "Give days with orders, or try --source demo."
        )
    skus = {key: row.sku for key, row in stock.products_by_id(session, site_id).items()}
    lots, lines = lots_seen(session, site_id), lines_seen(session, site_id, first, last)
    chosen = [key for key in sorted(lots.keys() & lines.keys()) if sku in (None, skus[key])]
    if not chosen:
        raise invalid(
            "--product", "Nothing of it came in and was ordered.", "Name another, or another period."
        )
    length = days or max(LEAST_DAYS, (last - first).days + 1)
    found = {}
    for key in chosen:
        world = own_world(
            lots[key], lines[key], first=first.toordinal(), last=last.toordinal(), days=length, **draws
        )
        found[skus[key]] = compare(world, confidence=confidence)
    return found, {"from": first.isoformat(), "to": last.isoformat(), "days": length}


@contextmanager
def opened(is_demo: bool) -> Iterator[Session]:
    """Open the configured database, or the demo in a temporary one."""
    if not is_demo:
        database = Database(load_settings())
        try:
            if not is_current(database.engine):
                raise Invalid(
                    "migration-needed",
                    "The database has no tables of this version.",
                    (Fault("database", "It was never set up or is older.", "Run `rimekeep db upgrade`."),),
                )
            with database.transaction(readonly=True) as session:
                yield session
        finally:
            database.dispose()
        return
    with TemporaryDirectory(prefix="rimekeep") as folder:
        database = Database(load_settings(database_url=f"sqlite:///{Path(folder) / 'demo.sqlite3'}"))
        try:
            upgrade(database.engine)
            load(database, Scenario(find_folder(), datetime.now(UTC) - timedelta(minutes=10)))
            with database.transaction(readonly=True) as session:
                yield session
        finally:
            database.dispose()
