"""
Years of readings: what one new reading costs, what a room's past costs to show, and how much memory it takes.

The readings of the past are written in bulk. Then gateways send new ones through the use case, room by room,
and a room's whole past is shown, in a process of its own, whose memory is the figure.
"""

import json
import os
import resource
import statistics
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import text
from sqlmodel import SQLModel

from rimekeep.cli.bench.ground import Ground
from rimekeep.climate import queries
from rimekeep.climate.usecases import register_sensor, take_readings
from rimekeep.platform.database import Database, ensure_months, epoch_ms, insert_numbers
from rimekeep.platform.settings import load_settings
from rimekeep.stock.usecases import register_zone

ROOMS = 12
INTERVAL_S = 600
MONTH_DAYS, YEAR_DAYS = 30, 365
# Each a batch with one new reading of every room, as they come in.
ROUNDS = 300
AT_ONCE = 200_000


def measure(place: Ground, *, years: int) -> tuple[float, str]:
    """Return the ratio of times per new reading, after years and after a month, and how it came about."""
    begin = place.now - timedelta(days=years * YEAR_DAYS)
    _furnish(place, begin)
    _fill(place, place.now - timedelta(days=MONTH_DAYS), place.now)
    young = _measured(place, days=MONTH_DAYS, begin_at=place.now)
    _fill(place, begin, place.now - timedelta(days=MONTH_DAYS, seconds=INTERVAL_S))
    # Days later, beyond what was just taken in.
    old = _measured(place, days=years * YEAR_DAYS, begin_at=place.now + timedelta(days=3))
    return old["reading_ms"] / young["reading_ms"], (
        f"{ROOMS} rooms, ten-minute readings, a month and {years} years of them ({_count(place):,}): "
        f"{young['reading_ms']:.3f} and {old['reading_ms']:.3f} ms a reading in batches of {ROOMS}; "
        f"a room's past in day steps: the last month {young['month_ms']:.0f} and {old['month_ms']:.0f} ms, "
        f"the last year {old['year_ms']:.0f} ms, all {old['all_ms']:.0f} ms; "
        f"most memory {young['peak_mb']:.0f} and {old['peak_mb']:.0f} MB"
    )


def _furnish(place: Ground, begin: datetime) -> None:
    with place.database.transaction() as session:
        for number in range(ROOMS):
            zone = register_zone(
                session,
                begin,
                place.caller,
                code=f"R{number}",
                name=f"Room {number}",
                kind="store",
                planned_c=4.0,
            )
            register_sensor(
                session, begin, place.caller, code=f"r{number}", zone_id=zone.id, interval_s=INTERVAL_S
            )


def _fill(place: Ground, from_at: datetime, to_at: datetime) -> None:
    """Write what all sensors said every ten minutes, past the use case and its checks."""
    first, last = (epoch_ms(at) // 1000 // INTERVAL_S * INTERVAL_S * 1000 for at in (from_at, to_at))
    table = SQLModel.metadata.tables["reading"]
    with place.database.transaction() as session:
        sensor_ids = list(session.scalars(text("SELECT id FROM sensor ORDER BY id")))
        for start in range(first, last + 1, AT_ONCE // ROOMS * INTERVAL_S * 1000):
            stop = min(start + AT_ONCE // ROOMS * INTERVAL_S * 1000, last + 1)
            at_ms = np.arange(start, stop, INTERVAL_S * 1000)
            ensure_months(session, table, at_ms.tolist())
            # Month by month in order of the key, as it would have grown.
            for number, sensor_id in enumerate(sensor_ids):
                insert_numbers(
                    session,
                    table,
                    {
                        "site_id": place.caller.site_id,
                        "received_at_ms": last,
                        "sensor_id": sensor_id,
                        "at_ms": at_ms,
                        "temp_c": _air(number, at_ms),
                    },
                )
        noted = "UPDATE sensor SET last_at_ms = :last, heard_ms = :last, last_c = 4.0"
        session.execute(text(noted), {"last": last})
    if not place.database.settings.is_sqlite:
        # As the server does by itself sooner or later; it should not do so while something is measured.
        with place.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM ANALYZE reading"))


def _air(
    room: int, at_ms: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    days = at_ms / 86_400_000
    return np.round(4 + 0.1 * room + np.sin(2 * np.pi * days + room) + np.sin(2 * np.pi * days / 365), 2)


def _count(place: Ground) -> int:
    with place.database.transaction(readonly=True) as session:
        return session.scalar(text("SELECT count(*) FROM reading")) or 0


def _measured(place: Ground, *, days: int, begin_at: datetime) -> dict[str, float]:
    """Let a process of its own take readings in and show the past; return what it found."""
    asked = json.dumps({"site_id": place.caller.site_id, "days": days, "begin_at": begin_at.isoformat()})
    done = subprocess.run(
        [sys.executable, "-m", "rimekeep.cli.bench.growth", asked],
        env={**os.environ, "RIMEKEEP_DATABASE_URL": place.database.settings.database_url},
        check=True,
        capture_output=True,
        text=True,
    )
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def take_and_show(database: Database, site_id: int, days: int, begin_at: datetime) -> dict[str, float]:
    """Take in new readings, then show a room's past; return times and the most memory this process had."""
    spent = []
    for number in range(1, ROUNDS + 1):
        at = begin_at + timedelta(seconds=INTERVAL_S * number)
        said = [(f"r{room}", at, 4.0 + room / 10) for room in range(ROOMS)]
        started = time.perf_counter()
        with database.transaction() as session:
            outcomes = take_readings(session, at, site_id, said)
        spent.append((time.perf_counter() - started) / ROOMS)
        if any(outcome.is_refused for outcome in outcomes):
            raise RuntimeError(f"a new reading was refused: {outcomes[0]}")
    end = begin_at + timedelta(seconds=INTERVAL_S * ROUNDS)
    shown = {
        f"{name}_ms": _shown(database, site_id, end - timedelta(days=min(days, back)), end)
        for name, back in (("month", MONTH_DAYS), ("year", YEAR_DAYS), ("all", days))
    }
    # Kilobytes on Linux.
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    # The quieter half of the rounds: whatever else runs on the machine is not what is measured.
    quiet = sorted(spent)[: ROUNDS // 2]
    return {"reading_ms": statistics.median(quiet) * 1000, "peak_mb": peak_mb, **shown}


def _shown(database: Database, site_id: int, from_at: datetime, to_at: datetime) -> float:
    best = float("inf")
    for _ in range(3):
        started = time.perf_counter()
        with database.transaction(readonly=True) as session:
            zone_id = session.scalar(text("SELECT min(id) FROM zone")) or 0
            queries.zone_history(session, site_id, zone_id, from_at, to_at, 86_400)
        best = min(best, time.perf_counter() - started)
    return best * 1000


def main() -> None:
    """Measure in this process what the command line asks for."""
    asked = json.loads(sys.argv[1])
    database = Database(load_settings())
    try:
        begin_at = datetime.fromisoformat(asked["begin_at"]).astimezone(UTC)
        print(json.dumps(take_and_show(database, asked["site_id"], asked["days"], begin_at)))
    finally:
        database.dispose()


if __name__ == "__main__":
    main()
