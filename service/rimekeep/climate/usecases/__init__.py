"""Register sensors; take in what they say."""

from rimekeep.climate.usecases.imports import READING_COLUMNS, SENSOR_COLUMNS, import_readings, import_sensors
from rimekeep.climate.usecases.readings import EARLIEST_AT, MAX_BATCH, check_size, take_readings
from rimekeep.climate.usecases.sensors import register_sensor, switch_off_sensor

__all__ = [
    "EARLIEST_AT",
    "MAX_BATCH",
    "READING_COLUMNS",
    "SENSOR_COLUMNS",
    "check_size",
    "import_readings",
    "import_sensors",
    "register_sensor",
    "switch_off_sensor",
    "take_readings",
]
