"""
Stock from CSV files.

A file may be read again: what is there already in the same words is left alone; what is there in other words
is a fault, because nobody can tell which of the two is meant. Nothing is written while a fault is left.
"""

from rimekeep.stock.usecases.imports.catalog import (
    BAY_COLUMNS,
    LOT_COLUMNS,
    PRODUCT_COLUMNS,
    ZONE_COLUMNS,
    import_bays,
    import_lots,
    import_products,
    import_zones,
)
from rimekeep.stock.usecases.imports.units import UNIT_COLUMNS, import_units

__all__ = [
    "BAY_COLUMNS",
    "LOT_COLUMNS",
    "PRODUCT_COLUMNS",
    "UNIT_COLUMNS",
    "ZONE_COLUMNS",
    "import_bays",
    "import_lots",
    "import_products",
    "import_units",
    "import_zones",
]
