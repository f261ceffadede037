"""Readings through the API against the raw driver's bulk insert into an equal table."""

import json
import sqlite3
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import httpx2
import psycopg

from rimekeep.access.core.roles import Role
from rimekeep.cli.bench.ground import Ground
from rimekeep.climate.usecases import register_sensor
from rimekeep.stock.usecases import register_zone

BATCH = 1000
SENSORS = 10
COLUMNS = "site_id BIGINT, sensor_id BIGINT, at_ms BIGINT, temp_c DOUBLE PRECISION, received_at_ms BIGINT"
KEY = "PRIMARY KEY (site_id, sensor_id, at_ms)"


def measure(place: Ground, *, batches: int) -> tuple[float, str]:
    """Return the ratio of readings a second, and how it came about."""
    with place.database.transaction() as session:
        zone = register_zone(
            session, place.now, place.caller, code="Z", name="Zone", kind="store", planned_c=4.0
        )
        for number in range(SENSORS):
            register_sensor(
                session, place.now, place.caller, code=f"s{number}", zone_id=zone.id, interval_s=600
            )
    total = batches * BATCH
    first_ms = int(place.now.timestamp() * 1000) - (total // SENSORS + 1) * 600_000
    rows = [
        (1, n % SENSORS, first_ms + n // SENSORS * 600_000, 4.0 + n % 7 / 10, first_ms) for n in range(total)
    ]
    through_api = total / _api(place, rows)
    raw = total / (_sqlite(rows) if place.database.settings.is_sqlite else _postgresql(place, rows))
    return (
        through_api / raw,
        f"{total} readings: {through_api:,.0f}/s through HTTP, {raw:,.0f}/s with the driver",
    )


def _api(place: Ground, rows: Sequence[tuple[int, int, int, float, int]]) -> float:
    bodies = []
    for start in range(0, len(rows), BATCH):
        readings = [
            {
                "sensor": f"s{sensor}",
                "at": datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(),
                "temp": temp,
                "unit": "Cel",
            }
            for _, sensor, at_ms, temp, _ in rows[start : start + BATCH]
        ]
        bodies.append(json.dumps({"readings": readings}).encode())
    headers = {"Authorization": f"Bearer {place.tokens[Role.GATEWAY]}", "Content-Type": "application/json"}
    with httpx2.Client(base_url=place.url, headers=headers, timeout=60) as client:
        begun = time.perf_counter()
        for body in bodies:
            answer = client.post("/v1/readings", content=body, headers={"Idempotency-Key": str(uuid4())})
            answer.raise_for_status()
            if answer.json()["stored"] != BATCH:
                raise RuntimeError(f"the API did not store a whole batch: {answer.text[:200]}")
        return time.perf_counter() - begun


def _sqlite(rows: Sequence[tuple[int, int, int, float, int]]) -> float:
    with tempfile.TemporaryDirectory() as folder:
        connection = sqlite3.connect(Path(folder) / "raw.sqlite3", isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"CREATE TABLE raw_reading ({COLUMNS}, {KEY}) WITHOUT ROWID")
        begun = time.perf_counter()
        for start in range(0, len(rows), BATCH):
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(
                "INSERT INTO raw_reading VALUES (?, ?, ?, ?, ?)", rows[start : start + BATCH]
            )
            connection.execute("COMMIT")
        taken = time.perf_counter() - begun
        connection.close()
    return taken


def _postgresql(place: Ground, rows: Sequence[tuple[int, int, int, float, int]]) -> float:
    address = place.database.settings.database_url.replace("postgresql+psycopg://", "postgresql://")
    with psycopg.connect(address) as connection, connection.cursor() as cursor:
        cursor.execute(f"CREATE TABLE raw_reading ({COLUMNS}, {KEY})".encode())
        connection.commit()
        begun = time.perf_counter()
        for start in range(0, len(rows), BATCH):
            with cursor.copy("COPY raw_reading FROM STDIN") as copy:
                for row in rows[start : start + BATCH]:
                    copy.write_row(row)
            connection.commit()
        return time.perf_counter() - begun
