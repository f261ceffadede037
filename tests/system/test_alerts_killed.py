"""The service is killed (`kill -9`) again and again while alerts go out: each that was committed arrives."""

from __future__ import annotations

import json
import random
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import update

from builders.databases import open_site
from builders.server import receiving, serving
from rimekeep.alerts.core.signing import verify
from rimekeep.alerts.tables import Subscription
from rimekeep.platform.database import Database
from rimekeep.platform.journal import Notice, announce

pytestmark = pytest.mark.slow

SEED = 20260316
KILLS, ALERTS = 6, 200


def test_every_committed_alert_arrives_whenever_the_service_is_killed(
    database: Database, database_url: str, tmp_path: Path
) -> None:
    """
    Two hundred alerts, committed by another process while the service is killed at random points.

    At least once, under one webhook-id; in order, counting first arrivals; signed with the receiver's secret.
    What was being sent when the process died waits for its lease (60 s) to run out: the test cuts it short.
    """
    chance = random.Random(SEED)
    people = open_site(database_url)
    site_id = people.callers["qa"].site_id
    committed: dict[str, int] = {}
    with (
        serving(database_url, tmp_path, warm=True, deliver_every_s="0.05") as server,
        receiving() as receiver,
    ):
        with server.client(people.tokens["admin"]) as api:
            secret = api.made("/v1/subscriptions", {"url": receiver.url})["secret"]

        def say(n: int) -> None:
            notice = Notice("waste.expected", datetime.now(UTC), {"n": n})
            with database.transaction() as session:
                announce(session, site_id, notice)
            committed[notice.message_id] = n

        n = 0
        for kill in range(1, KILLS + 1):
            heard = len(receiver.heard)
            while n < kill * ALERTS // KILLS:
                say(n)
                n += 1
            # In the middle of the sending, on a slow machine as on a quick one.
            wait_until(lambda least=heard + 3: len(receiver.heard) >= least)
            time.sleep(chance.uniform(0, 0.1))
            server.kill()
            let_go(database)
            server.start()
        while n < ALERTS:
            say(n)
            n += 1
        wait_until(lambda: set(committed) <= {headers["webhook-id"] for headers, _ in list(receiver.heard)})
    came = [(headers["webhook-id"], json.loads(body)["data"]["n"]) for headers, body in receiver.heard]
    assert dict(came) == committed
    assert [number for _, number in dict.fromkeys(came)] == list(range(ALERTS))
    assert max(Counter(key for key, _ in came).values()) <= 1 + KILLS
    for headers, body in receiver.heard:
        assert verify(secret, headers, body, now=int(headers["webhook-timestamp"]))


def let_go(database: Database) -> None:
    """End the leases of a process that is dead."""
    with database.transaction() as session:
        session.execute(update(Subscription).values(leased_until=None))


def wait_until(done: Callable[[], bool], timeout_s: float = 120) -> None:
    deadline = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < deadline, "alerts are missing"
        time.sleep(0.01)
