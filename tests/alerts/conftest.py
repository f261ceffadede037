"""What tests of alerts share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from builders.alerting import Alerting
from builders.api import Api
from builders.grounds import Clock
from builders.receiver import Receiver, listening
from rimekeep.platform.database import Database


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """Somebody's webhook."""
    with listening() as opened:
        yield opened


@pytest.fixture
def site(api: Api, database: Database, clock: Clock) -> Alerting:
    """A site whose people want to be told."""
    return Alerting(api, database, clock)
