"""Readings taken in while pick lists are being served, against readings taken in alone."""

import json
import threading
import time
from http.client import HTTPConnection
from urllib.parse import urlsplit
from uuid import uuid4

from rimekeep.cli.bench.ground import Ground
from rimekeep.cli.bench.ingest import BATCH, HOURS, JSON, SENSORS, batches_of, register, send
from rimekeep.cli.bench.stocked import fill

UNITS, LISTS = 1_000, 240
PICKERS = 4
TURNS = 3
# A picker looks at the list for a moment before asking again; four of them ask far more often than people do.
PAUSE_S = 0.02


def measure(place: Ground, *, batches: int) -> tuple[float, str]:
    """Return what is left of the readings a second while pickers take lists, and how it came about."""
    register(place)
    tokens = [one.token for one in fill(place, units=UNITS, lists=LISTS, handhelds=PICKERS)]
    each = max(1, batches // (2 * TURNS))
    step_ms = HOURS * 3_600_000 // (2 * TURNS * each * BATCH // SENSORS)
    alone, beside, taken = float("inf"), float("inf"), 0
    for turn in range(TURNS):
        alone = min(alone, send(place, [batches_of(place, 0, 2 * turn * each, each, step_ms)], JSON))
        stop = threading.Event()
        served: list[int] = []
        crews = [threading.Thread(target=_pick, args=(place, token, stop, served)) for token in tokens]
        for crew in crews:
            crew.start()
        begun = time.perf_counter()
        beside = min(beside, send(place, [batches_of(place, 0, (2 * turn + 1) * each, each, step_ms)], JSON))
        stop.set()
        for crew in crews:
            crew.join()
        taken = max(taken, round(sum(served) / (time.perf_counter() - begun)))
        if len(served) < len(tokens):
            raise RuntimeError("a picker got no list")
    return alone / beside, (
        f"{each * BATCH / beside:,.0f} readings/s while {PICKERS} handhelds take and hand back up to {taken} "
        f"lists/s, {each * BATCH / alone:,.0f}/s alone; best of {TURNS} turns each"
    )


def _pick(place: Ground, token: str, stop: threading.Event, served: list[int]) -> None:
    address = urlsplit(place.url)
    connection = HTTPConnection(address.hostname or "", address.port, timeout=60)
    count = 0
    while not stop.is_set():
        task = _post(connection, token, "/v1/pick-lists/next")
        if task is None or not task["picks"]:
            raise RuntimeError("there is no list to take")
        _post(connection, token, f"/v1/pick-lists/{task['id']}/hand-back")
        count += 1
        time.sleep(PAUSE_S)
    served.append(count)
    connection.close()


def _post(connection: HTTPConnection, token: str, path: str) -> dict[str, list[object]] | None:
    headers = {"Authorization": f"Bearer {token}", "Idempotency-Key": str(uuid4())}
    connection.request("POST", path, b"", headers)
    response = connection.getresponse()
    told = response.read()
    if response.status != 200:
        raise RuntimeError(f"{path}: {response.status} {told[:200]!r}")
    answer: dict[str, list[object]] | None = json.loads(told)
    return answer
