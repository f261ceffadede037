"""
A rush on servers that are killed again and again: is anything promised twice, lost, or counted twice?

Clients reserve, make lists, take them, pick, and send offline queues shuffled and twice, all at once, against
two served processes on one database, each of which gets SIGKILL in the middle, in turn, and starts again.
Whoever hears nothing asks again under the same key, at the other process, as a handheld behind a proxy would.
Afterwards what the clients were told is held against reservations, picks, events and the service's own check.
"""

import json
import random
import threading
import time
from collections import Counter, deque
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

import httpx2
import typer

from rimekeep.access.core.roles import PrincipalKind, Role
from rimekeep.access.usecases import add_principal
from rimekeep.cli.bench.ground import Ground, bench_product, ground
from rimekeep.cli.bench.killed import Killed
from rimekeep.cli.check import findings
from rimekeep.cli.output import err, out
from rimekeep.orders.core.records import NewLine
from rimekeep.orders.usecases import place_order, register_customer
from rimekeep.picking.queries import cases_by_pick, oversold_cases
from rimekeep.stock.core.gs1 import sscc
from rimekeep.stock.usecases import receive_unit, register_lot, register_zone

CLIENTS = 16
PRODUCTS = 6
PALLET = 96
LINES = 6
CASES = 2
# Orders a desk serves at a time, as a wave.
WAVE = 4
# The share of lists picked without a network.
OFFLINE = 0.6
# What an order takes until all of it is picked, replays included; measured, only to size the run.
CALLS_PER_ORDER = 11
# Fewer cases stand there than are asked for, so that somebody has to go short.
STOCK_SHARE = 0.9
SERVERS = 2
# Kills in a long run; a short one has as many as its seconds allow.
KILLS = 200
KILL_EVERY_S = (3.0, 8.0)
# Until a server that hung up is asked again; a new one is there by then, or is missed once more.
AWAY_S = 5.0
PATIENCE_S = 180


@dataclass(slots=True)
class Tally:
    """What came of a rush. All but the first five must be 0."""

    calls: int = 0
    repeats: int = 0
    kills: int = 0
    seconds: float = 0.0
    picked_cases: int = 0
    oversold_cases: int = 0
    lost_picks: int = 0
    doubled_picks: int = 0
    findings: list[str] = field(default_factory=list)

    @property
    def is_clean(self) -> bool:
        """Tell whether nothing was sold twice, lost, counted twice, or disagrees."""
        return not (self.oversold_cases or self.lost_picks or self.doubled_picks or self.findings)


class Client:
    """A client that asks again under the same key until somebody answers."""

    def __init__(self, number: int, urls: Sequence[str], token: str, stop: threading.Event) -> None:
        """Open no connection yet."""
        self.number, self.stop = number, stop
        self.chance = random.Random(f"rush {number}")  # noqa: S311 - a workload
        self.calls = self.repeats = 0
        self.told: Counter[int] = Counter()
        self.times: Counter[int] = Counter()
        bearer = {"Authorization": f"Bearer {token}"}
        # Its own server first, so that all of them are at work as long as they live.
        self._https = deque(httpx2.Client(base_url=url, headers=bearer, timeout=30) for url in urls)
        self._https.rotate(number)
        self._home, self._away_until = self._https[0], 0.0
        self._key = 0

    def new_key(self) -> str:
        """Return a key nobody used."""
        self._key += 1
        return f"rush-{self.number}-{self._key}"

    def ask(self, path: str, body: Any = None, *, key: str | None = None) -> Any:
        """POST until it is answered; return the answer, or None where a rule stood against it."""
        key = key or self.new_key()
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline and not self.stop.is_set():
            if time.monotonic() > self._away_until:
                while self._https[0] is not self._home:
                    self._https.rotate()
            try:
                response = self._https[0].post(path, json=body, headers={"Idempotency-Key": key})
            except httpx2.TransportError:
                self.repeats += 1
                self._https.rotate()
                self._away_until = time.monotonic() + AWAY_S
                time.sleep(0.1)
                continue
            kind = "" if response.is_success else response.json()["type"]
            if response.status_code == 503 or kind.endswith(("/in-flight", "/conflicting-write")):
                self.repeats += 1
                time.sleep(0.02)
                continue
            self.calls += 1
            if response.is_success:
                return response.json()
            if response.status_code == 409:
                return None
            raise RuntimeError(f"{path}: {response.status_code} {response.text}")
        raise RuntimeError(f"{path}: nobody answered for {PATIENCE_S} s")

    def close(self) -> None:
        """Close the connections."""
        for one in self._https:
            one.close()

    def note(self, pick_id: int, cases: int) -> None:
        """Write down what was acknowledged."""
        self.told[pick_id] += cases
        self.times[pick_id] += 1

    def pick(self, task: dict[str, Any]) -> None:
        """Pick a list: stop by stop, or without a network and all at the end."""
        picks = [one for one in task["picks"] if one["state"] == "open"]
        if self.chance.random() < OFFLINE:
            self._offline(picks)
            return
        for one in picks:
            key, body = self.new_key(), {"scan": one["sscc"], "cases": one["cases"]}
            done = self.ask(f"/v1/picks/{one['id']}/confirm", body, key=key)
            if done is not None:
                self.note(one["id"], done["picked_cases"])
            if self.chance.random() < 0.2:
                self.ask(f"/v1/picks/{one['id']}/confirm", body, key=key)

    def _offline(self, picks: list[dict[str, Any]]) -> None:
        at = datetime.now(UTC) - timedelta(hours=self.chance.randrange(-50, 50))
        calls = [
            {
                "key": self.new_key(),
                "at": (at + timedelta(seconds=place)).isoformat(),
                "call": "confirm",
                "pick_id": one["id"],
                "scan": one["sscc"],
                "cases": one["cases"],
            }
            for place, one in enumerate(picks)
        ]
        settled: set[str] = set()
        for _ in range(2):
            self.chance.shuffle(calls)
            answer = self.ask("/v1/pick-queue", {"calls": calls}) if calls else None
            for one in [] if answer is None else answer["calls"]:
                self.calls += 1
                # A first time that was done but never answered comes back as repeated.
                if one["outcome"] in ("done", "repeated") and one["key"] not in settled:
                    settled.add(one["key"])
                    self.note(one["result"]["pick_id"], one["result"]["picked_cases"])


def rush(
    database_url: Annotated[
        str | None,
        typer.Option(help="An empty PostgreSQL database to use; default: SQLite in a temporary folder."),
    ] = None,
    calls: Annotated[
        int, typer.Option(min=200, help="About how many calls; 200,000 is the figure to show.")
    ] = 4_000,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Reserve, pick and replay at once on servers that are killed meanwhile; exit 1 if anything is off."""
    with ground(database_url) as place:
        kind = place.kind
        tally = run(place, calls=calls)
    if as_json:
        print(json.dumps({"database": kind, "is_clean": tally.is_clean, **asdict(tally)}))
    else:
        out.print(
            f"{kind}: {tally.calls} calls in {tally.seconds:.0f} s by {CLIENTS} clients, "
            f"{tally.kills} kills, {tally.repeats} repeats, {tally.picked_cases} cases picked."
        )
        out.print(
            f"{tally.oversold_cases} oversold, {tally.lost_picks} lost, {tally.doubled_picks} counted twice, "
            f"{len(tally.findings)} disagreements."
        )
        for line in tally.findings[:20]:
            err.print(line, markup=False)
    if not tally.is_clean:
        raise typer.Exit(1)


def run(place: Ground, *, calls: int) -> Tally:
    """Return what came of a rush of about ``calls`` calls."""
    err.print(f"filling {place.kind} …")
    order_ids, tokens = _fill(place, max(CLIENTS, calls // CALLS_PER_ORDER))
    stop = threading.Event()
    tally = Tally()
    with ExitStack() as running:
        servers = [
            running.enter_context(Killed(place.database.settings.database_url)) for _ in range(SERVERS)
        ]
        urls, lead = [one.url for one in servers], place.tokens[Role.LEAD]
        pickers = [Client(number, urls, token, stop) for number, token in enumerate(tokens)]
        desks = [Client(CLIENTS + number, urls, lead, stop) for number in range(CLIENTS)]
        everybody = (*pickers, *desks)
        failures: list[BaseException] = []

        def work(number: int) -> None:
            try:
                _work(pickers[number], desks[number], order_ids[number::CLIENTS], order_ids)
            except BaseException as failure:  # noqa: BLE001 - raised again below
                failures.append(failure)
                stop.set()

        threads = [threading.Thread(target=work, args=(n,), daemon=True) for n in range(CLIENTS)]
        begun = time.monotonic()
        for thread in threads:
            thread.start()
        chance = random.Random("kills")  # noqa: S311 - a workload
        next_kill, apart = 0.0, calls / KILLS
        while any(thread.is_alive() for thread in threads):
            _wait_for(threads, chance.uniform(*KILL_EVERY_S))
            done = sum(one.calls for one in everybody)
            if done < next_kill or not any(thread.is_alive() for thread in threads):
                continue
            servers[tally.kills % SERVERS].kill_and_start()
            tally.kills += 1
            next_kill = done + chance.uniform(0.5, 1.5) * apart
            err.print(f"{done} calls, {tally.kills} kills …")
        tally.seconds = time.monotonic() - begun
        for one in everybody:
            one.close()
        if failures:
            raise failures[0]
    tally.calls = sum(one.calls for one in everybody)
    tally.repeats = sum(one.repeats for one in everybody)
    _judge(place, pickers, tally)
    return tally


def _wait_for(threads: list[threading.Thread], seconds: float) -> None:
    deadline = time.monotonic() + seconds
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))


def _work(picker: Client, desk: Client, mine: list[int], everybodys: list[int]) -> None:
    """Reserve and list one's own orders, and now and then somebody else's; pick whatever is next."""
    for start in range(0, len(mine), WAVE):
        wanted = mine[start : start + WAVE]
        if desk.chance.random() < 0.3:
            wanted.append(desk.chance.choice(everybodys))
        desk.ask("/v1/allocations", {"order_ids": list(dict.fromkeys(wanted))})
        desk.ask("/v1/pick-lists", {"order_ids": list(dict.fromkeys(wanted))})
        for _ in wanted:
            if task := picker.ask("/v1/pick-lists/next"):
                picker.pick(task)
    while task := picker.ask("/v1/pick-lists/next"):
        picker.pick(task)


def _fill(place: Ground, orders: int) -> tuple[list[int], list[str]]:
    """Receive stock, place the orders, register the devices; return order ids and tokens."""
    now, caller = place.now, place.caller
    wanted = orders * LINES * CASES
    pallets = max(1, round(wanted * STOCK_SHARE / PALLET / PRODUCTS))
    day = now.date()
    with place.database.transaction() as session:
        zone = register_zone(session, now, caller, code="RUSH", name="Rush", kind="store", planned_c=4.0)
        register_zone(session, now, caller, code="OUT", name="Staging", kind="staging", planned_c=4.0)
        products = [bench_product(session, place, now, sku=f"R{number}") for number in range(PRODUCTS)]
        for number, product_id in enumerate(products):
            lot = register_lot(
                session,
                now,
                caller,
                product_id=product_id,
                code=f"L{number}",
                packaged_at=now - timedelta(days=1),
                best_before_on=(now + timedelta(days=200)).date(),
                released=True,
            )
            for pallet in range(pallets):
                receive_unit(
                    session,
                    now,
                    caller,
                    sscc=sscc(5, "9521234", number * 100_000 + pallet),
                    zone_id=zone.id,
                    contents=[(lot.id, PALLET)],
                )
        customer_id = register_customer(session, now, caller, code="C", name="Customer").id
        tokens = [
            add_principal(
                session,
                now,
                caller.site_id,
                kind=PrincipalKind.DEVICE,
                name=f"rush {number}",
                roles=[Role.PICKER],
            )[1]
            for number in range(CLIENTS)
        ]
    ids = []
    for start in range(0, orders, 500):
        with place.database.transaction() as session:
            for number in range(start, min(orders, start + 500)):
                lines = [
                    NewLine(line + 1, products[(number + line) % PRODUCTS], CASES) for line in range(LINES)
                ]
                order = place_order(
                    session,
                    now,
                    caller,
                    code=f"RUSH-{number}",
                    customer_id=customer_id,
                    ship_on=day,
                    deliver_on=day,
                    lines=lines,
                )
                ids.append(order.id)
    return ids, tokens


def _judge(place: Ground, pickers: list[Client], tally: Tally) -> None:
    """Hold what the clients were told against what the database has."""
    told: Counter[int] = Counter()
    times: Counter[int] = Counter()
    for one in pickers:
        told += one.told
        times += one.times
    site_id = place.caller.site_id
    with place.database.transaction(readonly=True) as session:
        stored, events = cases_by_pick(session, site_id)
        tally.oversold_cases = oversold_cases(session, site_id)
        tally.findings = list(findings(session))
    tally.picked_cases = sum(stored.values())
    every = {*told, *stored, *events}
    tally.doubled_picks = sum(times[one] > 1 or events[one] > stored.get(one, 0) for one in every)
    tally.lost_picks = sum(not told[one] == stored.get(one, 0) == events[one] for one in every)
