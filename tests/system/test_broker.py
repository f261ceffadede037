"""
Readings over MQTT while things fail: the broker restarts, the service is killed, the database or the network goes.

Whatever the broker has acknowledged to a gateway is in the database afterwards, with its own value, once, and answered.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import SQLAlchemyError

from builders.broker import Broker, Gateway, Wire, brokering
from builders.cold import make_sensor
from builders.postgres import PostgresServer, start_postgres
from builders.server import Process, serving
from builders.stock import make_zone
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.climate.listener import Listener
from rimekeep.climate.tables import Reading
from rimekeep.platform import mqtt
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings

pytestmark = pytest.mark.slow

SEED = 20260316
NOW = datetime.now(UTC).replace(microsecond=0)
GATEWAYS = ("gw-1", "gw-2", "gw-3")
KILLS = 4
IN_ONE = 20  # readings in a message


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker of this test's own."""
    folder = tmp_path / "broker"
    folder.mkdir()
    with brokering(folder, users=("rimekeep", *GATEWAYS)) as running:
        yield running


def open_store(database: Database) -> None:
    """A site with one sensor and one device of each role gateway per name."""
    with database.transaction() as session:
        site, _ = open_new_site(session, NOW, code="NORTH", name="North store (invented)")
        holder, _ = add_principal(
            session, NOW, site.id, kind=PrincipalKind.PERSON, name="qa", roles=[Role.QA]
        )
        caller = Caller(holder.id, site.id, "qa", frozenset([Role.QA]))
        make_sensor(session, NOW, caller, make_zone(session, NOW, caller), code="room:air")
        for name in GATEWAYS:
            add_principal(session, NOW, site.id, kind=PrincipalKind.DEVICE, name=name, roles=[Role.GATEWAY])


def value_at(at_ms: int) -> float:
    """What was measured at an instant; no two neighbours alike."""
    return 2.0 + at_ms // 1000 % 997 / 1000


@dataclass
class Publishing:
    """Gateways that publish one message after another, each of its own instants."""

    gateways: list[Gateway]
    sent: dict[str, str] = field(default_factory=dict)
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def start(self) -> None:
        """Begin, each in a thread of its own."""
        for number, gateway in enumerate(self.gateways):
            self._threads.append(threading.Thread(target=self._send, args=(number, gateway), daemon=True))
            self._threads[-1].start()

    def _send(self, number: int, gateway: Gateway) -> None:
        chance = random.Random(f"{SEED} {number}")
        at_s = int((NOW - timedelta(days=60 + 10 * number)).timestamp())
        while not self._stop.is_set():
            pack = [
                {"bn": "room:air", "bt": at_s, "bu": "Cel", "v": value_at(at_s * 1000)},
                *({"t": n, "v": value_at((at_s + n) * 1000)} for n in range(1, IN_ONE)),
            ]
            self.sent[gateway.send(pack)] = gateway.name
            at_s += IN_ONE
            time.sleep(chance.uniform(0, 0.02))

    def finish(self, *, at_least: int) -> None:
        """Stop when so much was sent, and wait until the broker has acknowledged all of it."""
        wait_until(lambda: len(self.sent) >= at_least, f"too little was sent: {len(self.sent)}")
        self._stop.set()
        for thread in self._threads:
            thread.join(120)
        for gateway in self.gateways:
            gateway.flush()

    def check(self, database: Database) -> None:
        """Every message that was acknowledged is stored, with its own values, and answered."""
        wanted = IN_ONE * len(self.sent)
        wait_until(lambda: count(database) >= wanted, f"readings are missing of {wanted}")
        assert count(database) == wanted
        with database.transaction(readonly=True) as session:
            held = session.execute(select(Reading.at_ms, Reading.temp_c)).all()
        assert len({at_ms for at_ms, _ in held}) == wanted
        assert all(temp_c == pytest.approx(value_at(at_ms), abs=1e-9) for at_ms, temp_c in held)
        by_name = {gateway.name: gateway for gateway in self.gateways}
        for mark, name in self.sent.items():
            answer = by_name[name].answer_to(mark)
            assert (answer["state"], answer["stored"] + answer["repeated"]) == ("taken", IN_ONE), answer


@contextmanager
def publishing(broker: Broker) -> Iterator[Publishing]:
    """Connect the gateways; they publish once started."""
    with ExitStack() as stack:
        yield Publishing([stack.enter_context(Gateway(broker, name)) for name in GATEWAYS])


def count(database: Database) -> int:
    """How many readings there are; none while the database is away."""
    try:
        with database.transaction(readonly=True) as session:
            return session.scalar(select(func.count()).select_from(Reading)) or 0
    except SQLAlchemyError:
        return 0


def wait_until(done: Callable[[], bool], otherwise: str, timeout_s: float = 120) -> None:
    deadline = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < deadline, otherwise
        time.sleep(0.1)


def said(server: Process, event: str) -> list[dict[str, Any]]:
    """What the server logged under a name."""
    lines = server.log.read_text(encoding="utf-8").splitlines()
    entries = [json.loads(line) for line in lines if line.startswith("{")]
    return [entry for entry in entries if entry.get("event") == event]


def when(entry: dict[str, Any]) -> datetime:
    """When the server logged it."""
    return datetime.fromisoformat(entry["timestamp"])


def test_the_broker_restarts_in_mid_stream(
    database: Database, database_url: str, broker: Broker, tmp_path: Path
) -> None:
    open_store(database)
    with (
        serving(database_url, tmp_path, warm=True, mqtt_url=broker.url()) as server,
        publishing(broker) as work,
    ):
        wait_until(lambda: bool(said(server, "listening")), "nobody listens")
        work.start()
        for number, away_s in enumerate((0.0, 1.5, 0.3, 4.0)):
            wait_until(lambda number=number: len(said(server, "listening")) > number, "nobody listens")  # type: ignore[misc]
            time.sleep(0.8)
            broker.stop()
            time.sleep(away_s)
            broker.start()
        time.sleep(1)
        work.finish(at_least=300)
        work.check(database)
        assert all(entry["resumed"] for entry in said(server, "listening")[1:])
        # Without haste: each wait for the next try is half a second or more, and no try comes before it is over.
        tries = said(server, "no connection to the broker")
        for earlier, later in pairwise(tries):
            assert earlier["again_in_s"] >= 0.5
            assert when(later) - when(earlier) >= timedelta(seconds=0.9 * earlier["again_in_s"])


def test_the_service_is_killed_in_mid_stream(
    database: Database, database_url: str, broker: Broker, tmp_path: Path
) -> None:
    open_store(database)
    chance = random.Random(SEED)
    with (
        serving(database_url, tmp_path, warm=True, mqtt_url=broker.url()) as server,
        publishing(broker) as work,
    ):
        wait_until(lambda: bool(said(server, "listening")), "nobody listens")
        work.start()
        for number in range(KILLS):
            wait_until(lambda number=number: len(said(server, "listening")) > number, "nobody listens")  # type: ignore[misc]
            time.sleep(chance.uniform(0.05, 0.6))
            server.kill()
            server.start()
        work.finish(at_least=300)
        work.check(database)


def test_the_database_goes_and_comes_back_in_mid_stream(broker: Broker, tmp_path: Path) -> None:
    with start_postgres() as postgres:
        url = postgres.url(postgres.create())
        database = Database(load_settings(database_url=url, compute_workers=0))
        upgrade(database.engine)
        open_store(database)
        with serving(url, tmp_path, warm=True, mqtt_url=broker.url()) as server, publishing(broker) as work:
            wait_until(lambda: bool(said(server, "listening")), "nobody listens")
            work.start()
            stop_and_start(postgres, (0.2, 6.0, 1.0))
            time.sleep(0.5)
            work.finish(at_least=300)
            database.dispose()
            work.check(database)
            assert said(server, "the database did not take messages")
        database.dispose()


def stop_and_start(postgres: PostgresServer, pauses_s: tuple[float, ...]) -> None:
    for away_s in pauses_s:
        time.sleep(0.7)
        postgres.control("stop", "-m", "immediate")
        time.sleep(away_s)
        postgres.start()


@pytest.mark.parametrize("is_silent", [False, True], ids=["cut", "dead"])
def test_the_network_goes_in_mid_stream(
    database: Database, database_url: str, broker: Broker, monkeypatch: pytest.MonkeyPatch, is_silent: bool
) -> None:
    """A dead network tells nobody: it is noticed when the broker answers no ping any more."""
    monkeypatch.setattr(mqtt, "KEEPALIVE_S", 2)
    open_store(database)
    with Wire(broker.port) as wire, publishing(broker) as work:
        url = broker.url().replace(f":{broker.port}", f":{wire.port}")
        own = Database(load_settings(database_url=database_url, mqtt_url=url))
        assert own.settings.broker is not None
        stopped = threading.Event()
        listener = Listener(own, own.settings.broker, lambda: datetime.now(UTC))
        thread = threading.Thread(target=listener.run, args=(stopped,))
        thread.start()
        try:
            wait_until(lambda: listener.is_listening, "nobody listens")
            work.start()
            for _ in range(3):
                time.sleep(0.7)
                before = wire.connections
                wire.die() if is_silent else wire.cut()
                wait_until(lambda before=before: wire.connections > before, "it was not noticed")  # type: ignore[misc]
            time.sleep(0.5)
            work.finish(at_least=200)
            work.check(database)
        finally:
            stopped.set()
            thread.join(120)
            own.dispose()
