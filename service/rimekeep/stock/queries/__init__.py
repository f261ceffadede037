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
    zone,
    zone_by_code,
    zone_page,
    zones,
)
from rimekeep.stock.queries.history import contents_present, paths, start_core_c
from rimekeep.stock.queries.picking import pickable
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
    "bay",
    "bay_by_code",
    "bays",
    "content",
    "contents",
    "contents_present",
    "lot",
    "lot_by_code",
    "lots",
    "paths",
    "pickable",
    "product",
    "product_by_gtin",
    "product_by_sku",
    "products",
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
