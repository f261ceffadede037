"""Reads of what is where."""

from rimekeep.stock.queries.agreement import stays_that_disagree
from rimekeep.stock.queries.catalog import (
    bay,
    bay_by_code,
    bays,
    lot,
    lot_by_code,
    lots,
    product,
    product_by_gtin,
    product_by_sku,
    products,
    products_by_id,
    rooms,
    zone,
    zone_by_code,
    zone_page,
    zones,
)
from rimekeep.stock.queries.changes import changed_units, contents_of_units, contents_that_left
from rimekeep.stock.queries.counts import Since, moved_since
from rimekeep.stock.queries.history import contents_present, paths, start_core_c
from rimekeep.stock.queries.picking import in_front, pickable
from rimekeep.stock.queries.registered import arrivals, lots_as_registered
from rimekeep.stock.queries.scan import scanned
from rimekeep.stock.queries.units import (
    content,
    contents,
    unit,
    unit_by_sscc,
    unit_view,
    unit_views,
    units,
)

__all__ = [
    "Since",
    "arrivals",
    "bay",
    "bay_by_code",
    "bays",
    "changed_units",
    "content",
    "contents",
    "contents_of_units",
    "contents_present",
    "contents_that_left",
    "in_front",
    "lot",
    "lot_by_code",
    "lots",
    "lots_as_registered",
    "moved_since",
    "paths",
    "pickable",
    "product",
    "product_by_gtin",
    "product_by_sku",
    "products",
    "products_by_id",
    "rooms",
    "scanned",
    "start_core_c",
    "stays_that_disagree",
    "unit",
    "unit_by_sscc",
    "unit_view",
    "unit_views",
    "units",
    "zone",
    "zone_by_code",
    "zone_page",
    "zones",
]
