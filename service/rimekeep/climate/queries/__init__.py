"""Reads of sensors and of the air they measured."""

from rimekeep.climate.queries.air import joined_by_zone, zone_air, zone_airs
from rimekeep.climate.queries.sensors import ZoneNow, sensor, sensor_codes, sensors, watched_sensors, zone_now

__all__ = [
    "ZoneNow",
    "joined_by_zone",
    "sensor",
    "sensor_codes",
    "sensors",
    "watched_sensors",
    "zone_air",
    "zone_airs",
    "zone_now",
]
