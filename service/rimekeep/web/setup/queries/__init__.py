"""Reads of the pages for setting up, each in a few statements however large the store is."""

from rimekeep.web.setup.queries.buyers import customer_page, drops_of, rules_of
from rimekeep.web.setup.queries.counts import counts
from rimekeep.web.setup.queries.fleet import vehicle_page
from rimekeep.web.setup.queries.goods import product_page, profile_rows
from rimekeep.web.setup.queries.places import (
    AisleRow,
    BayRow,
    aisles,
    bay_page,
    bays_of,
    places_for_sensors,
    sensors_of,
    units_on,
    zone_page,
)

__all__ = [
    "AisleRow",
    "BayRow",
    "aisles",
    "bay_page",
    "bays_of",
    "counts",
    "customer_page",
    "drops_of",
    "places_for_sensors",
    "product_page",
    "profile_rows",
    "rules_of",
    "sensors_of",
    "units_on",
    "vehicle_page",
    "zone_page",
]
