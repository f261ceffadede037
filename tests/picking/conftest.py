"""The floor the pickers of these tests work on."""

from __future__ import annotations

import pytest

from builders.api import Api
from builders.floor import Floor, make_floor
from rimekeep.platform.database import Database


@pytest.fixture
def floor(api: Api, database: Database) -> Floor:
    """One lot, a full pallet and an opened one."""
    return make_floor(api, database)
