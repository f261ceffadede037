"""
Readings through the API against the raw driver's bulk insert into an equal table.

Both take the same readings in batches of 1,000, each batch committed to the disk before the next. The ways
take turns within one run, and the best turn of each counts, so that what else the machine does meanwhile
weighs on all of them alike.
"""

import json
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import psycopg

from rimekeep.access.core.roles import Role
from rimekeep.cli.bench.ground import Ground
from rimekeep.climate.usecases import register_sensor
from rimekeep.stock.usecases import register_zone

BATCH = 1000
SENSORS = 10
GATEWAYS = 4
TURNS = 3
# All of it lies within these hours before now, as what gateways send does.
HOURS = 10
COLUMNS = "site_id BIGINT, sensor_id BIGINT, at_ms BIGINT, temp_c DOUBLE PRECISION, received_at_ms BIGINT"
KEY = "PRIMARY KEY (site_id, sensor_id, at_ms)"
JSON, SENML = "application/json", "application/senml+json"
# A site, a sensor, an instant, a temperature, when it came.
Row = tuple[int, int, int, float, int]
Insert = Callable[[Sequence[Row]], None]


def measure(place: Ground, *, batches: int) -> list[tuple[str, float, str]]:
    """Return for each way of sending the ratio of readings a second, and how it came about."""
    batches = max(batches, TURNS * GATEWAYS)
    step_ms = HOURS * 3_600_000 // (batches * BATCH // SENSORS)
    register(place)
    each = batches // TURNS // GATEWAYS * GATEWAYS
    part = each // GATEWAYS

    def own(gateway: int, turn: int, count: int) -> list[list[Row]]:
        return batches_of(place, gateway, turn * count, count, step_ms)

    ways: dict[str, Callable[[int], float]] = {
        "JSON, one gateway": lambda turn: send(place, [own(0, turn, each)], JSON),
        "SenML, one gateway": lambda turn: send(place, [own(1, turn, each)], SENML),
        f"JSON, {GATEWAYS} gateways at once": lambda turn: send(
            place,
            [own(2 + number, turn, part) for number in range(GATEWAYS)],
            JSON,
        ),
    }
    best: dict[str, float] = {}
    with _driver(place) as insert:
        ways["driver"] = lambda turn: _insert(insert, own(0, turn, each))
        for turn in range(TURNS):
            for name, way in ways.items():
                best[name] = min(best.get(name, float("inf")), way(turn))
    raw = each * BATCH / best.pop("driver")
    return [
        (
            name,
            each * BATCH / taken_s / raw,
            f"{each * BATCH / taken_s:,.0f} readings/s through HTTP, {raw:,.0f}/s with the driver on one "
            f"connection; best of {TURNS} turns of {each} batches",
        )
        for name, taken_s in best.items()
    ]


def register(place: Ground) -> None:
    """Put up sensors, two a room."""
    with place.database.transaction() as session:
        for number in range((2 + GATEWAYS) * SENSORS):
            if number % 2 == 0:
                zone = register_zone(
                    session,
                    place.now,
                    place.caller,
                    code=f"Z{number}",
                    name=f"Zone {number}",
                    kind="store",
                    planned_c=4.0,
                )
            register_sensor(
                session, place.now, place.caller, code=f"s{number}", zone_id=zone.id, interval_s=600
            )


def batches_of(place: Ground, gateway: int, first: int, count: int, step_ms: int) -> list[list[Row]]:
    """Return some batches of one gateway and its ten sensors; each goes on where the one before ended."""
    start_ms = round(place.now.timestamp() * 1000) - HOURS * 3_600_000
    return [
        [
            (
                1,
                gateway * SENSORS + n % SENSORS,
                start_ms + n // SENSORS * step_ms,
                4.0 + n % 7 / 10,
                start_ms,
            )
            for n in range(number * BATCH, (number + 1) * BATCH)
        ]
        for number in range(first, first + count)
    ]


def body(batch: Sequence[Row], media_type: str) -> bytes:
    """Return a batch as a gateway sends it."""
    if media_type == SENML:
        base: dict[str, Any] = {"bn": "s", "bt": batch[0][2] / 1000, "bu": "Cel"}
        records = [
            {"n": str(sensor), "t": (at_ms - batch[0][2]) / 1000, "v": temp}
            for _, sensor, at_ms, temp, _ in batch
        ]
        return json.dumps([base, *records]).encode()
    readings = [
        {
            "sensor": f"s{sensor}",
            "at": datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(),
            "temp": temp,
            "unit": "Cel",
        }
        for _, sensor, at_ms, temp, _ in batch
    ]
    return json.dumps({"readings": readings}).encode()


class Gateway:
    """A client with one connection it keeps."""

    def __init__(self, place: Ground, media_type: str = JSON) -> None:
        """Open nothing yet."""
        address = urlsplit(place.url)
        self._connection = HTTPConnection(address.hostname or "", address.port, timeout=60)
        self._headers = {
            "Authorization": f"Bearer {place.tokens[Role.GATEWAY]}",
            "Content-Type": media_type,
        }

    def send(self, sent: bytes) -> None:
        """Send a batch; it must be stored whole."""
        headers = {**self._headers, "Idempotency-Key": str(uuid4())}
        self._connection.request("POST", "/v1/readings", sent, headers)
        response = self._connection.getresponse()
        told = response.read()
        if response.status != 200 or json.loads(told)["stored"] != BATCH:
            raise RuntimeError(f"the API did not store a whole batch: {told[:200]!r}")

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


def send(place: Ground, queues: Sequence[Sequence[Sequence[Row]]], media_type: str) -> float:
    """Send each gateway's batches one after another, all gateways at once; return how long that took. [s]"""
    bodies = [[body(batch, media_type) for batch in queue] for queue in queues]
    clients = [Gateway(place, media_type) for _ in queues]

    def work(number: int) -> None:
        for sent in bodies[number]:
            clients[number].send(sent)

    try:
        begun = time.perf_counter()
        with ThreadPoolExecutor(len(queues)) as pool:
            list(pool.map(work, range(len(queues))))
        return time.perf_counter() - begun
    finally:
        for client in clients:
            client.close()


def _insert(insert: Insert, batches: Sequence[Sequence[Row]]) -> float:
    begun = time.perf_counter()
    for batch in batches:
        insert(batch)
    return time.perf_counter() - begun


@contextmanager
def _driver(place: Ground) -> Iterator[Insert]:
    with _sqlite() if place.database.settings.is_sqlite else _postgresql(place) as insert:
        yield insert


@contextmanager
def _sqlite() -> Iterator[Insert]:
    with tempfile.TemporaryDirectory() as folder:
        connection = sqlite3.connect(Path(folder) / "raw.sqlite3", isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"CREATE TABLE raw_reading ({COLUMNS}, {KEY}) WITHOUT ROWID")

        def insert(batch: Sequence[Row]) -> None:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany("INSERT INTO raw_reading VALUES (?, ?, ?, ?, ?)", batch)
            connection.execute("COMMIT")

        yield insert
        connection.close()


@contextmanager
def _postgresql(place: Ground) -> Iterator[Insert]:
    address = place.database.settings.database_url.replace("postgresql+psycopg://", "postgresql://")
    with psycopg.connect(address) as connection, connection.cursor() as cursor:
        cursor.execute(f"CREATE TABLE raw_reading ({COLUMNS}, {KEY})".encode())
        connection.commit()

        def insert(batch: Sequence[Row]) -> None:
            with cursor.copy("COPY raw_reading FROM STDIN") as copy:
                for row in batch:
                    copy.write_row(row)
            connection.commit()

        yield insert
