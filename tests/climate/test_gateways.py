"""Gateways through HTTP, several at once: each told its own, a repeat at the same moment stored once."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import func, select

from builders.api import Api
from builders.cold import make_sensor
from builders.stock import make_zone
from rimekeep.access.core.roles import Role
from rimekeep.climate.tables import AirChange, Reading
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import StoredAnswer

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
GATEWAYS, EACH = 6, 40


def batch(gateway: int) -> dict[str, Any]:
    """Forty readings of a sensor of the gateway's own, and one of a sensor there is not."""
    readings = [
        {"sensor": f"s{gateway}", "at": (NOW - timedelta(minutes=n + 1)).isoformat(), "temp": 3 + n % 7 / 10}
        for n in range(EACH)
    ]
    return {"readings": [*readings, {"sensor": "none", "at": NOW.isoformat(), "temp": 3.0}]}


def test_gateways_at_once_are_each_told_their_own_and_repeats_store_nothing(
    api: Api, database: Database
) -> None:
    with database.transaction() as session:
        room = make_zone(session, NOW, api.callers["qa"])
        for number in range(GATEWAYS):
            make_sensor(session, NOW, api.callers["qa"], room, code=f"s{number}")
    gateway = api.as_(Role.GATEWAY)
    picker = api.as_(Role.PICKER)
    together = threading.Barrier(2 * GATEWAYS + 2)

    def send(number: int) -> Any:
        """Every gateway sends its batch twice, by one key; two who may not send come in between."""
        together.wait(10)
        if number >= 2 * GATEWAYS:
            return picker.post("/v1/readings", batch(0))
        which = number % GATEWAYS
        while True:
            response = gateway.post("/v1/readings", batch(which), key=f"key-{which}")
            # PostgreSQL tells the second of two that the first is still at it; a client asks again.
            if response.status_code != 409:
                return response

    with ThreadPoolExecutor(2 * GATEWAYS + 2) as pool:
        responses = list(pool.map(send, range(2 * GATEWAYS + 2)))
    assert [one.status_code for one in responses] == [200] * (2 * GATEWAYS) + [403] * 2
    for which in range(GATEWAYS):
        one, other = responses[which], responses[which + GATEWAYS]
        assert one.content == other.content
        told = one.json()
        assert (told["stored"], told["refused"], told["faults"][0]["index"]) == (EACH, 1, EACH)
        assert {"idempotency-replayed" in one.headers, "idempotency-replayed" in other.headers} == {
            True,
            False,
        }
    with database.transaction(readonly=True) as session:
        count = [
            session.scalar(select(func.count()).select_from(table))
            for table in (Reading, StoredAnswer, AirChange)
        ]
    assert count == [GATEWAYS * EACH, GATEWAYS, GATEWAYS]
