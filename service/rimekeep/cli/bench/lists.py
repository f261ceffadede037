"""
The next pick list through HTTP against the same transaction in SQL by hand, a crowd of clients at once.

Sixty-four clients ask without pause a served process for the next list, each with another handheld every
time, because one that has a list is given the same again. In turn with them sixty-four connections of the
driver do by hand, on the same database and as safe on the disk, everything that the service does for it
(:mod:`rimekeep.cli.bench.by_hand`). In between the lists go back, as those of silent handhelds do, so that
both find the same ones. Every answer is looked at: no list twice, all its stops.

The driver's side has no HTTP to read and write, no process between, and one transaction a list. The service
has all of that to do beside; but on SQLite, where a commit to the disk is what takes the time and writers
wait for each other anyway, up to eight that wait share one.
"""

import json
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from datetime import timedelta
from uuid import uuid4

import numpy as np

from rimekeep.cli.bench import by_hand, crowd
from rimekeep.cli.bench.ground import Ground
from rimekeep.cli.bench.stocked import STOPS, Handheld, fill
from rimekeep.picking.usecases import return_leases

CLIENTS = 64
TURNS = 4
# Turns before those that count: statements are prepared and planned for good in them.
WARM = 2
# Lists that wait, and lists long done, for each that is taken in a turn.
WAITING, DONE = 8, 40
# How long all took, how long each answer did, the answers. [s]
Asked = tuple[float, list[float], list[bytes]]


def measure(place: Ground, *, units: int, taken: int) -> tuple[float, str]:
    """Return the ratio of lists a second with ``taken`` a turn, and how it came about."""
    handhelds = fill(place, units=units, lists=WAITING * taken, done=DONE * taken, handhelds=taken)
    with ExitStack() as open_ones:
        hands = [
            open_ones.enter_context(closing(by_hand.connect(place, place.database.settings.lease_s)))
            for _ in range(CLIENTS)
        ]
        return _measure(place, handhelds, hands, units)


def _measure(
    place: Ground, handhelds: Sequence[Handheld], hands: Sequence[by_hand.ByHand], units: int
) -> tuple[float, str]:
    taken = len(handhelds)
    ways: dict[str, Callable[[], Asked]] = {
        "http": lambda: _through_http(place, handhelds),
        "hand": lambda: _by_hand(hands, handhelds),
    }
    best = dict.fromkeys(ways, float("inf"))
    spent: dict[str, list[float]] = {name: [] for name in ways}
    for turn in range(WARM + TURNS):
        for name, way in ways.items():
            seconds, each, told = way()
            _look_at(told, handhelds)
            _give_back(place, taken)
            if turn >= WARM:
                best[name] = min(best[name], seconds)
                spent[name] += each
    shown = {
        name: "{:,.0f} lists/s, answer after {:.0f} ms (p50), {:.0f} ms (p99)".format(
            taken / best[name], *(np.quantile(spent[name], (0.5, 0.99)) * 1e3)
        )
        for name in ways
    }
    return best["hand"] / best["http"], (
        f"{units:,} units in store, {WAITING * taken:,} lists of {STOPS} stops waiting, {CLIENTS} clients "
        f"without pause: {shown['http']}; by hand {shown['hand']}; best of {TURNS} turns of {taken}"
    )


def _shared(handhelds: Sequence[Handheld]) -> list[Sequence[Handheld]]:
    return [handhelds[number::CLIENTS] for number in range(CLIENTS)]


def _through_http(place: Ground, handhelds: Sequence[Handheld]) -> Asked:
    return crowd.ask(
        place.url,
        [
            [crowd.post(place.url, "/v1/pick-lists/next", one.token, str(uuid4())) for one in own]
            for own in _shared(handhelds)
        ],
    )


def _by_hand(hands: Sequence[by_hand.ByHand], handhelds: Sequence[Handheld]) -> Asked:
    spent: list[float] = []
    told: list[bytes] = []
    failures: list[BaseException] = []
    start = threading.Barrier(CLIENTS + 1)

    def work(own: Sequence[Handheld], client: by_hand.ByHand) -> None:
        start.wait()
        try:
            for one in own:
                begun = time.perf_counter()
                told.append(client.take(one.token, str(uuid4())))
                spent.append(time.perf_counter() - begun)
        except BaseException as failure:  # noqa: BLE001 - raised again below
            failures.append(failure)

    threads = [
        threading.Thread(target=work, args=both) for both in zip(_shared(handhelds), hands, strict=True)
    ]
    for thread in threads:
        thread.start()
    start.wait()
    begun = time.perf_counter()
    for thread in threads:
        thread.join()
    seconds = time.perf_counter() - begun
    if failures:
        raise failures[0]
    return seconds, spent, told


def _look_at(told: Sequence[bytes], handhelds: Sequence[Handheld]) -> None:
    tasks = [json.loads(one) for one in told]
    if len({task["id"] for task in tasks}) != len(handhelds):
        raise RuntimeError("a list was given to two handhelds")
    if {task["device_id"] for task in tasks} != {one.id for one in handhelds}:
        raise RuntimeError("a list went to another handheld than the one that asked")
    if any(len(task["picks"]) != STOPS for task in tasks):
        raise RuntimeError(f"a list of {STOPS} stops was expected")


def _give_back(place: Ground, taken: int) -> None:
    later = place.now + timedelta(days=1)
    with place.database.transaction() as session:
        if return_leases(session, later) != taken:
            raise RuntimeError("more or fewer lists were taken than asked for")
