"""Reads of the pages for setting up, each in a few statements however large the store is."""

from rimekeep.web.setup.queries.counts import counts
from rimekeep.web.setup.queries.listing import PAGE, Listed
from rimekeep.web.setup.queries.places import (
    AisleRow,
    BayRow,
    SensorRow,
    ZoneRow,
    aisles,
    bay_page,
    bays_of,
    sensors_of,
    units_on,
    zone_page,
)

__all__ = [
    "PAGE",
    "AisleRow",
    "BayRow",
    "Listed",
    "SensorRow",
    "ZoneRow",
    "aisles",
    "bay_page",
    "bays_of",
    "counts",
    "sensors_of",
    "units_on",
    "zone_page",
]
