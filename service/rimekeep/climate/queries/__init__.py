"""Reads of sensors and of the air they measured."""

from rimekeep.climate.queries.air import (
    closed_until,
    joined_by_zone,
    room_hours,
    series_by_zone,
    zone_air,
    zone_airs,
)
from rimekeep.climate.queries.changes import air_changes, company, nearest
from rimekeep.climate.queries.heard import lock_heard
from rimekeep.climate.queries.history import held_readings, history_lines, history_windows, zone_history
from rimekeep.climate.queries.instants import (
    corrections,
    held,
    held_before,
    known_instants,
    own_neighbours,
    quarantine,
    waiting,
)
from rimekeep.climate.queries.places import (
    calibrations,
    newest_calibration_on,
    offsets,
    places,
    stays,
    stretches,
)
from rimekeep.climate.queries.sensors import ZoneNow, sensor, sensor_codes, sensors, sensors_due, zone_now

__all__ = [
    "ZoneNow",
    "air_changes",
    "calibrations",
    "closed_until",
    "company",
    "corrections",
    "held",
    "held_before",
    "held_readings",
    "history_lines",
    "history_windows",
    "joined_by_zone",
    "known_instants",
    "lock_heard",
    "nearest",
    "newest_calibration_on",
    "offsets",
    "own_neighbours",
    "places",
    "quarantine",
    "room_hours",
    "sensor",
    "sensor_codes",
    "sensors",
    "sensors_due",
    "series_by_zone",
    "stays",
    "stretches",
    "waiting",
    "zone_air",
    "zone_airs",
    "zone_history",
    "zone_now",
]
