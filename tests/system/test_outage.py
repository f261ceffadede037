"""The database goes and comes back under a running server; a receiver of alerts is away for a while."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx2
import pytest
from sqlalchemy import func, select

from builders.postgres import PostgresServer, start_postgres
from builders.server import Http, Process, free_port, receiving, serving
from builders.shift import Persistent, Shift, finish, open_shift, together
from builders.store import stamp
from rimekeep.access.queries import all_sites
from rimekeep.climate.tables import Reading
from rimekeep.platform.database import Database
from rimekeep.platform.journal import Notice, announce
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings

pytestmark = pytest.mark.slow

NOW = datetime.now(UTC).replace(microsecond=0)


@pytest.fixture
def own_postgres() -> Iterator[PostgresServer]:
    """A PostgreSQL of this test's own, to be stopped: the session's has other guests."""
    with start_postgres() as server:
        yield server


def open_small(url: str) -> tuple[Database, Shift]:
    database = Database(load_settings(database_url=url, compute_workers=0))
    upgrade(database.engine)
    shift = open_shift(
        database, NOW, pickers=1, lots=1, pallets_each=4, orders=1, wanted=lambda order, product: 3
    )
    return database, shift


def warm_hour(api: Http, shift: Shift, hours_ago: int, temp_c: float = 14.0) -> None:
    """An hour of readings in the room, ten minutes apart."""
    start = NOW - timedelta(hours=hours_ago)
    readings = [
        {"sensor": shift.sensor_code, "at": stamp(start + timedelta(minutes=10 * n)), "temp": temp_c}
        for n in range(7)
    ]
    assert api.made("/v1/readings", {"readings": readings})["refused"] == 0


def watch(api: Http, shift: Shift) -> None:
    rule = {
        "zone_id": shift.zone_id, "name": "warm", "side": "above", "limit_c": 8, "allowed_s": 1800,
        "severity": "critical",
    }  # fmt: skip
    api.made("/v1/excursion-rules", rule)


def is_gone(response: httpx2.Response) -> bool:
    """A 503 as a problem, with the time to wait."""
    assert response.status_code == 503, response.text
    assert response.headers["content-type"] == "application/problem+json"
    assert int(response.headers["retry-after"]) >= 1
    assert response.json()["type"] == "/problems/database-unavailable"
    return True


def test_a_database_that_goes_and_comes_back(own_postgres: PostgresServer, tmp_path: Path) -> None:
    url = own_postgres.url(own_postgres.create())
    database, shift = open_small(url)
    with (
        serving(url, tmp_path, warm=True) as server,
        receiving() as receiver,
        server.client(shift.admin_token) as api,
    ):
        api.made("/v1/subscriptions", {"url": receiver.url, "kinds": ["excursion.opened"]})
        watch(api, shift)
        check_outage(own_postgres, api, shift)
        # The jobs come back by themselves too: an excursion found after the outage reaches its receiver.
        warm_hour(api, shift, 2)
        api.made("/v1/excursions/check")
        receiver.wait_for("excursion.opened")
        check_torn_off(own_postgres, server, database, shift)
        checked = server.command("check", "--json")
        assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
    database.dispose()


def check_outage(postgres: PostgresServer, api: Http, shift: Shift) -> None:
    """Asked while it is gone, the service says so; asked again under the same key, it does it once."""
    unit = api.get("/v1/units")["items"][0]
    hold, key = f"/v1/units/{unit['sscc']}/hold", str(uuid4())
    postgres.control("stop", "-m", "immediate")
    try:
        for path in ("/v1/me", "/v1/units", f"/v1/units/{unit['sscc']}"):
            assert is_gone(api.client.get(path))
        assert is_gone(api.post(hold, {"reason": "seal broken"}, key=key))
        assert is_gone(api.post("/v1/readings", {"readings": []}))
        assert api.client.get("/readyz").status_code == 503
        assert api.client.get("/healthz").status_code == 200
    finally:
        postgres.start()
    deadline = time.monotonic() + 120
    while api.client.get("/readyz").status_code != 200:
        assert time.monotonic() < deadline, "the server did not recover without a restart"
        time.sleep(0.1)
    assert api.get(f"/v1/units/{unit['sscc']}")["qa_state"] == "released", "half-written"
    first = api.made(hold, {"reason": "seal broken"}, key=key)
    assert first["qa_state"] == "held"
    assert api.made(hold, {"reason": "seal broken"}, key=key) == first
    api.made(f"/v1/units/{unit['sscc']}/release", {"reason": "only a scratch"})


def check_torn_off(postgres: PostgresServer, server: Process, database: Database, shift: Shift) -> None:
    """Torn off in the middle of work, three times: acknowledged is stored, and stored once."""
    stop = threading.Event()
    gateways = [Persistent(server.url, shift.admin_token, f"torn{n}") for n in range(4)]

    def send(number: int) -> None:
        at = NOW - timedelta(days=20 + 5 * number)
        while not stop.is_set():
            batch = [
                {"sensor": shift.sensor_code, "at": stamp(at + timedelta(seconds=n)), "temp": 4.0}
                for n in range(50)
            ]
            gateways[number].insist("/v1/readings", {"readings": batch})
            at += timedelta(seconds=50)

    database.dispose()
    with database.transaction(readonly=True) as session:
        before = session.scalar(select(func.count()).select_from(Reading)) or 0
    sending = together([lambda n=n: send(n) for n in range(len(gateways))])
    for pause_s in (0.4, 0.7, 0.5):
        time.sleep(pause_s)
        postgres.control("stop", "-m", "immediate")
        postgres.start()
    time.sleep(0.3)
    stop.set()
    finish(sending)
    database.dispose()
    with database.transaction(readonly=True) as session:
        held = session.scalar(select(func.count()).select_from(Reading)) or 0
    answers = [asked.answer for gateway in gateways for asked in gateway.acknowledged.values()]
    assert all((one["stored"], one["refused"]) == (50, 0) for one in answers)
    assert held - before == 50 * len(answers) > 0
    assert sum(gateway.repeats for gateway in gateways) > 0, "nobody noticed the outages"
    for gateway in gateways:
        gateway.replay()
        gateway.close()


def seqs(heard: list[tuple[dict[str, str], bytes]]) -> list[str]:
    return [headers["webhook-id"] for headers, _ in heard]


def test_alerts_wait_for_a_receiver_that_is_away(
    database: Database, database_url: str, tmp_path: Path
) -> None:
    """
    Away for the first attempts, it gets every message afterwards, in order.

    The wait before the second attempt is 5 s, before the third 5 min (Standard Webhooks, example schedule); a
    receiver that is longer away is tested with a clock of its own in tests/alerts/test_deliver.py.
    """
    shift = open_shift(
        database, NOW, pickers=1, lots=1, pallets_each=4, orders=1, wanted=lambda order, product: 3
    )
    port = free_port()
    with database.transaction(readonly=True) as session:
        (site,) = all_sites(session)
        site_id = site.id
    with serving(database_url, tmp_path, warm=True) as server, server.client(shift.admin_token) as api:
        hook = api.made("/v1/subscriptions", {"url": f"http://127.0.0.1:{port}/hook"})["subscription"]
        # Of a kind that is told one by one; what is gathered is tested in tests/alerts/test_receivers.py.
        for n in range(3):
            with database.transaction() as session:
                announce(session, site_id, Notice("waste.expected", datetime.now(UTC), {"n": n}))
        announced = api.get("/v1/outbox?limit=1000")["items"]
        assert len(announced) >= 3
        attempts = f"/v1/subscriptions/{hook['id']}/attempts"
        failed: list[Any] = []
        wait_until(lambda: failed.extend(api.get(attempts)["items"]) or failed, "nobody tried to deliver")
        # At once, for after the second attempt, in five seconds, the third would be long in coming.
        with receiving(port) as receiver:
            assert {one["status"] for one in failed} == {0}
            wanted = [message["message_id"] for message in announced]
            wait_until(lambda: set(wanted) <= set(seqs(receiver.heard)), "not every alert came")
            came = list(dict.fromkeys(seqs(receiver.heard)))
            assert [one for one in came if one in set(wanted)] == wanted
        tried = api.get(attempts)["items"]
        assert {one["status"] for one in tried} == {0, 204}


def wait_until(done: Any, otherwise: str, timeout_s: float = 120) -> None:
    deadline = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < deadline, otherwise
        time.sleep(0.1)
