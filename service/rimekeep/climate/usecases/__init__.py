"""Register sensors; take in what they say."""

from rimekeep.climate.usecases.changes import forget_air_changes
from rimekeep.climate.usecases.corrections import correct_readings
from rimekeep.climate.usecases.decode import read_json, read_senml
from rimekeep.climate.usecases.imports import READING_COLUMNS, SENSOR_COLUMNS, import_readings, import_sensors
from rimekeep.climate.usecases.messages import take_messages
from rimekeep.climate.usecases.quarantine import settle_quarantine
from rimekeep.climate.usecases.readings import MAX_BATCH, check_size, take_batch, take_readings
from rimekeep.climate.usecases.retention import drop_thinned_months, prepare_months, thin_readings
from rimekeep.climate.usecases.sensors import (
    EARLIEST_AT,
    calibrate_sensor,
    move_sensor,
    register_sensor,
    switch_off_sensor,
)

__all__ = [
    "EARLIEST_AT",
    "MAX_BATCH",
    "READING_COLUMNS",
    "SENSOR_COLUMNS",
    "calibrate_sensor",
    "check_size",
    "correct_readings",
    "drop_thinned_months",
    "forget_air_changes",
    "import_readings",
    "import_sensors",
    "move_sensor",
    "prepare_months",
    "read_json",
    "read_senml",
    "register_sensor",
    "settle_quarantine",
    "switch_off_sensor",
    "take_batch",
    "take_messages",
    "take_readings",
    "thin_readings",
]
