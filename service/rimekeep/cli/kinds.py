"""The kinds of file there are to import, each with its columns and the use case that takes it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.climate import usecases as climate
from rimekeep.orders import usecases as orders
from rimekeep.platform.csvfile import Column, ImportReport, Rows
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock import usecases as stock

Run = Callable[[Session, datetime, Caller, Rows, Callable[[int, int], None]], ImportReport]


@dataclass(frozen=True, slots=True)
class Importer:
    """How one kind of file is read."""

    columns: Sequence[Column]
    run: Run


KINDS: dict[str, Importer] = {
    "products": Importer(stock.PRODUCT_COLUMNS, stock.import_products),
    "zones": Importer(stock.ZONE_COLUMNS, stock.import_zones),
    "bays": Importer(stock.BAY_COLUMNS, stock.import_bays),
    "lots": Importer(stock.LOT_COLUMNS, stock.import_lots),
    "units": Importer(stock.UNIT_COLUMNS, stock.import_units),
    "sensors": Importer(climate.SENSOR_COLUMNS, climate.import_sensors),
    "readings": Importer(climate.READING_COLUMNS, climate.import_readings),
    "forced-ageing": Importer(shelflife.FORCED_AGEING_COLUMNS, shelflife.import_forced_ageing),
    "customers": Importer(orders.CUSTOMER_COLUMNS, orders.import_customers),
    "orders": Importer(orders.ORDER_COLUMNS, orders.import_orders),
}
