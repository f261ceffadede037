"""The kinds of file there are to import, and the one way each is read and taken in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.climate import usecases as climate
from rimekeep.errors import invalid
from rimekeep.loading import usecases as loading
from rimekeep.orders import usecases as orders
from rimekeep.orders.core.records import OrderChange
from rimekeep.picking import usecases as picking
from rimekeep.platform.csvfile import Column, ImportReport, Rows, read_rows
from rimekeep.platform.jsonfile import looks_like_json, read_json_rows
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock import usecases as stock
from rimekeep.wording import say

Progress = Callable[[int, int], None]
Run = Callable[[Session, datetime, Caller, Rows, Progress], ImportReport]


@dataclass(frozen=True, slots=True)
class Importer:
    """
    How one kind of file is read.

    ``amending`` runs it so that what is stored becomes what the file says; None: nothing of it is changed.
    Rows that share the column ``group`` are taken all or none; in JSON they are the list ``nested`` of one
    object.
    """

    columns: Sequence[Column]
    run: Run
    amending: Run | None = None
    group: str | None = None
    nested: str | None = None


def _amend_order(
    session: Session, now: datetime, caller: Caller, order_id: int, change: OrderChange, reason: str
) -> object:
    return picking.amend_order(session, now, caller, order_id=order_id, change=change, reason=reason)


KINDS: dict[str, Importer] = {
    "products": Importer(stock.PRODUCT_COLUMNS, stock.import_products),
    "zones": Importer(stock.ZONE_COLUMNS, stock.import_zones),
    "bays": Importer(stock.BAY_COLUMNS, stock.import_bays),
    "lots": Importer(stock.LOT_COLUMNS, stock.import_lots),
    "units": Importer(stock.UNIT_COLUMNS, stock.import_units),
    "sensors": Importer(climate.SENSOR_COLUMNS, climate.import_sensors),
    "readings": Importer(climate.READING_COLUMNS, climate.import_readings),
    "forced-ageing": Importer(shelflife.FORCED_AGEING_COLUMNS, shelflife.import_forced_ageing),
    "customers": Importer(
        orders.CUSTOMER_COLUMNS,
        orders.import_customers,
        amending=partial(orders.import_customers, is_amending=True),
    ),
    "customer-rules": Importer(
        orders.RULE_COLUMNS, orders.import_rules, amending=partial(orders.import_rules, is_amending=True)
    ),
    "drops": Importer(
        orders.DROP_COLUMNS, orders.import_drops, amending=partial(orders.import_drops, is_amending=True)
    ),
    "orders": Importer(
        orders.ORDER_COLUMNS,
        orders.import_orders,
        amending=partial(orders.import_orders, amend=_amend_order),
        group="order",
        nested="lines",
    ),
    "vehicles": Importer(loading.VEHICLE_COLUMNS, loading.import_vehicles),
    "forecast": Importer(orders.FORECAST_COLUMNS, orders.import_forecasts),
}


def read_file(kind: str, data: bytes, *, encoding: str | None) -> Rows:
    """Return a file's good rows and every fault of the others; CSV, or JSON unless an encoding is named."""
    importer = KINDS[kind]
    if encoding is None and looks_like_json(data):
        return read_json_rows(data, importer.columns, nested=importer.nested)
    return read_rows(data, importer.columns, encoding=encoding)


def run_of(kind: str, *, amend: bool, named: str) -> Run:
    """Return how a kind is taken in; ``named`` is what the user calls the wish to amend."""
    importer = KINDS[kind]
    if not amend:
        return importer.run
    if importer.amending is None:
        others = ", ".join(name for name, one in KINDS.items() if one.amending is not None)
        raise invalid(
            named,
            say("What is stored of {kind} is never changed by a file.", kind=kind),
            say("Amend {others}.", others=others),
        )
    return importer.amending


def take_rows(
    session: Session, now: datetime, caller: Caller, rows: Rows, run: Run, progress: Progress
) -> ImportReport:
    """
    Take a file's rows in; the report names every fault, those of reading too, by line.

    With any fault the transaction must be undone: some rows may be written already.
    """
    report = run(session, now, caller, rows, progress)
    report.faults = sorted({*rows.faults, *report.faults}, key=lambda fault: (fault.line, fault.column))
    return report
