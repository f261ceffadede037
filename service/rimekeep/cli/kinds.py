"""The kinds of file there are to import, each with its columns and the use case that takes it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.climate import usecases as climate
from rimekeep.loading import usecases as loading
from rimekeep.orders import usecases as orders
from rimekeep.orders.core.records import OrderChange
from rimekeep.picking import usecases as picking
from rimekeep.platform.csvfile import Column, ImportReport, Rows
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock import usecases as stock

Run = Callable[[Session, datetime, Caller, Rows, Callable[[int, int], None]], ImportReport]


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
