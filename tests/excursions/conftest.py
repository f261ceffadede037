"""A room that can fail."""

from __future__ import annotations

import pytest

from builders.api import Api
from builders.cold import make_sensor
from builders.room import PLANNED_C, START, Room
from builders.stock import make_zone
from rimekeep.platform.database import Database


@pytest.fixture
def room(api: Api, database: Database) -> Room:
    """A room at 4 °C with the sensor `s`, which reports every ten minutes."""
    with database.transaction() as session:
        caller = api.callers["qa"]
        zone = make_zone(session, START, caller, code="COLD", planned_c=PLANNED_C)
        make_sensor(session, START, caller, zone, code="s")
    return Room(caller, zone)
