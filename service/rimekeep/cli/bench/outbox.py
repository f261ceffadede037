"""Alerts a second to many receivers while one of them hangs, against the same with all of them answering."""

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import httpx2

from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.jobs import deliver_without_end
from rimekeep.alerts.usecases import add_subscription, deactivate_subscription
from rimekeep.cli.bench.ground import Ground
from rimekeep.platform.database import Database
from rimekeep.platform.journal import Notice, announce

RECEIVERS, ALERTS, TURNS = 50, 10, 3
LOOK_EVERY_S = 0.02
GIVE_UP_S = 120


def measure(place: Ground) -> tuple[float, str]:
    """Return how much of the rate is left when one receiver hangs, and how it came about."""
    settings = place.database.settings.model_copy(
        update={"webhook_allow_private": True, "deliver_every_s": 0.05}
    )
    best = {"alive": 0.0, "dead": 0.0}
    with _sink() as sink, socket.create_server(("127.0.0.1", 0)) as silent, httpx2.Client() as asked:
        # The first turn of each warms up.
        for turn in range(1 + TURNS):
            for name in best:
                # It takes connections, for the kernel does, and says nothing.
                dead = [f"http://127.0.0.1:{silent.getsockname()[1]}/"] if name == "dead" else []
                expected = ALERTS * (RECEIVERS - len(dead))
                alive = [f"{sink}/{number}" for number in range(RECEIVERS - len(dead))]
                database = Database(settings)
                try:
                    took_s = _turn(place, database, [*dead, *alive], expected, lambda: _taken(asked, sink))
                finally:
                    database.dispose()
                if turn:
                    best[name] = max(best[name], expected / took_s)
    return best["dead"] / best["alive"], (
        f"{ALERTS} alerts to {RECEIVERS} receivers: {best['alive']:,.0f} messages/s when all answer "
        f"({best['alive'] / RECEIVERS:,.1f} alerts/s), {best['dead']:,.0f} to the other {RECEIVERS - 1} when "
        f"one hangs; sorted, signed, posted and noted one by one; best of {TURNS} turns each"
    )


def _turn(
    place: Ground, database: Database, urls: list[str], expected: int, taken: Callable[[], int]
) -> float:
    with database.transaction() as session:
        added = [
            add_subscription(
                session,
                datetime.now(UTC),
                place.caller,
                url=url,
                kinds=[],
                zone_ids=[],
                least_severity=Severity.INFO,
                quiet_hours=None,
                is_for_duty=False,
                person_id=None,
                is_private_allowed=True,
            ).id
            for url in urls
        ]
    for number in range(ALERTS):
        with database.transaction() as session:
            announce(
                session, place.caller.site_id, Notice("waste.expected", datetime.now(UTC), {"n": number})
            )
    before, stopped = taken(), threading.Event()
    thread = threading.Thread(target=deliver_without_end, args=(database, stopped))
    begun = time.perf_counter()
    thread.start()
    try:
        while taken() - before < expected:
            if time.perf_counter() - begun > GIVE_UP_S:
                raise RuntimeError(f"{taken() - before} of {expected} messages came")
            time.sleep(LOOK_EVERY_S)
        took_s = time.perf_counter() - begun
    finally:
        stopped.set()
        thread.join()
    with database.transaction() as session:
        for subscription_id in added:
            deactivate_subscription(session, datetime.now(UTC), place.caller, subscription_id)
    return took_s


def _taken(asked: httpx2.Client, sink: str) -> int:
    return int(asked.get(sink).text)


@contextmanager
def _sink() -> Iterator[str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "rimekeep.cli.bench.sink"], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        yield f"http://127.0.0.1:{int(process.stdout.readline())}"
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()
