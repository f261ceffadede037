"""
The service is killed (`kill -9`) again and again while a store works, alerts go out and a backup is made.

Whoever asks repeats a call under its key until somebody answers. Afterwards each fact is in the ledger once, the chain
holds, every case is accounted for, each committed alert has arrived, and the backup comes back whole.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

import httpx2
import pytest
from sqlalchemy import func, select, update
from sqlmodel import col
from standardwebhooks import Webhook

from builders.databases import open_site
from builders.postgres import PostgresServer
from builders.server import Process, Receiver, receiving, serving
from builders.shift import Persistent, finish, together
from builders.store import TRUCK, product_body, stamp
from rimekeep.alerts.tables import Subscription
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, Notice, announce
from rimekeep.stock.core.gs1 import sscc

pytestmark = pytest.mark.slow

SEED, KILLS, ALERTS = 20260316, 6, 200
WORKERS, PALLETS, CASES, COUNTED = 3, 58, 48, 47
SOLD, REFUSED = (96, 60), 5
NOW = datetime.now(UTC).replace(microsecond=0)
# What is done to each pallet, by the ledger's name.
STEPS = ("unit.received", "unit.moved", "unit.held", "unit.released", "cases.adjusted", "unit.moved")
ON_FLOOR = WORKERS * PALLETS * len(STEPS)
# The others are at work until the floor has done so much: beyond the last kill.
LAST_SHARE = 0.9
# About as many calls as dispatch makes.
TURNS = 16


@pytest.fixture
def empty_url(request: pytest.FixtureRequest, database: Database, tmp_path: Path) -> Iterator[str]:
    """The address of a database of the same kind without any table."""
    if database.settings.is_sqlite:
        yield f"sqlite:///{tmp_path / 'restored.sqlite3'}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create()
    yield server.url(name)
    server.drop(name)


def test_each_fact_is_told_once_whenever_the_service_is_killed(
    database: Database, database_url: str, empty_url: str, tmp_path: Path
) -> None:
    chance, people = random.Random(SEED), open_site(database_url)
    with (
        serving(database_url, tmp_path, warm=True, deliver_every_s="0.05") as server,
        receiving() as receiver,
        ExitStack() as clients,
    ):

        def client(name: str, token: str = people.tokens["admin"]) -> Persistent:
            return clients.enter_context(closing(Persistent(server.url, token, name)))

        desk, floor = client("desk"), [client(f"floor{n}") for n in range(WORKERS)]
        made = furnish(desk)
        picker = client("picker", made["token"])
        # Not to be asked again under its key: a secret is told once.
        secret = desk.http.made("/v1/subscriptions", {"url": receiver.url})["secret"]
        committed: list[str] = []
        sold = [sscc(3, "9521234", number) for number in range(4)]
        for one in sold:
            receive(desk, made, one, made["sold_lot"])
        before = ledger_length(database)

        work = together(
            [
                *(lambda one=one, n=n: tend(one, made, n) for n, one in enumerate(floor)),
                lambda: dispatch(desk, picker, made, floor),
                lambda: say(database, people.callers["qa"].site_id, committed, floor),
            ]
        )
        workers, backup = (*floor, desk, picker), tmp_path / "backup"
        at_kill = [kill_in_the_middle(server, database, chance, floor, work, n) for n in range(KILLS // 2)]
        # It runs beside the work, as it would any night.
        length_before = ledger_length(database)
        made_backup = server.command("backup", str(backup), "--json")
        length_after = ledger_length(database)
        at_kill += [
            kill_in_the_middle(server, database, chance, floor, work, n) for n in range(KILLS // 2, KILLS)
        ]
        finish(work)
        assert all(at_kill), "the work was done too soon: give it more"
        assert length_after > length_before, "nobody was at work beside the backup"
        # Every kill cut at least one call short.
        assert sum(one.repeats for one in workers) >= KILLS

        assert ledger_length(database) - before >= 1_000
        check_facts(database, floor)
        check_balances(desk, made)
        checked = server.command("check", "--json")
        assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
        length = ledger_length(database)
        for one in workers:
            one.replay()
        assert ledger_length(database) == length
        check_alerts(database, receiver, secret, committed)
        assert made_backup.returncode == 0, made_backup.stderr
        check_backup(server, backup, empty_url, json.loads(made_backup.stdout))


def furnish(desk: Persistent) -> dict[str, Any]:
    """Two rooms, a beer with a lot for each worker and one that is sold, a truck, two customers and a handheld."""
    made: dict[str, Any] = {}
    for code, kind in (("COLD", "store"), ("OTHER", "store"), ("STAGE", "staging")):
        body = {"code": code, "name": f"{code} (invented)", "kind": kind, "planned_c": 4}
        made[code] = desk.insist("/v1/zones", body)["id"]
    product_id = desk.insist("/v1/products", product_body("K"))["id"]
    lots = [
        desk.insist(
            "/v1/lots",
            {
                "product_id": product_id, "code": f"L{n}", "packaged_at": stamp(NOW - timedelta(days=3)),
                "best_before_on": str((NOW + timedelta(days=120)).date()),
            },
        )["id"]
        for n in range(WORKERS + 1)
    ]  # fmt: skip
    made["lots"], made["sold_lot"] = lots[:WORKERS], lots[WORKERS]
    # The others wait for QA, so that orders are served from this one alone.
    desk.insist(f"/v1/lots/{made['sold_lot']}/release", {"reason": "analysis is good"})
    desk.insist("/v1/vehicles", {"code": "T1", "name": "Truck 1", "truck": TRUCK})
    made["orders"] = []
    for number, cases in enumerate(SOLD):
        customer = desk.insist(
            "/v1/customers", {"code": f"C{number}", "name": f"Customer {number} (invented)"}
        )
        order = {
            "code": f"SO-{number}", "customer_id": customer["id"], "ship_on": str(NOW.date()),
            "deliver_on": str(NOW.date()), "lines": [{"product_id": product_id, "cases": cases}],
        }  # fmt: skip
        made["orders"].append(desk.insist("/v1/orders", order)["id"])
    made["token"] = desk.http.made("/v1/devices", {"name": "handheld", "roles": ["picker"]})["token"]
    return made


def receive(desk: Persistent, made: dict[str, Any], code: str, lot_id: int) -> Any:
    contents = [{"lot_id": lot_id, "cases": CASES}]
    return desk.insist("/v1/units", {"sscc": code, "zone_id": made["COLD"], "contents": contents})


def tend(worker: Persistent, made: dict[str, Any], number: int) -> None:
    """Pallets come in, are moved, held and let go, counted one short, and moved again."""
    for pallet in range(PALLETS):
        code = sscc(4, "9521234", number * PALLETS + pallet)
        unit = receive(worker, made, code, made["lots"][number])
        address = f"/v1/units/{code}"
        worker.insist(f"{address}/move", {"zone_id": made["OTHER"]})
        worker.insist(f"{address}/hold", {"reason": "seal looks broken"})
        worker.insist(f"{address}/release", {"reason": "seal is whole"})
        counted = {"content_id": unit["contents"][0]["id"], "cases": COUNTED, "reason": "one case was broken"}
        worker.insist(f"{address}/adjust", counted)
        worker.insist(f"{address}/move", {"zone_id": made["COLD"]})


def wait_for_share(floor: list[Persistent], share: float, timeout_s: float = 120) -> None:
    """Wait until so much of the floor's work is done: what goes on beside it lasts as long on any machine."""
    seen, deadline = -1, 0.0
    while (done := done_on(floor)) < share * ON_FLOOR:
        if done > seen:
            seen, deadline = done, time.monotonic() + timeout_s
        assert time.monotonic() < deadline, "the floor is not getting on"
        time.sleep(0.01)


def done_on(floor: list[Persistent]) -> int:
    return sum(len(one.acknowledged) for one in floor)


def dispatch(desk: Persistent, picker: Persistent, made: dict[str, Any], floor: list[Persistent]) -> None:
    """Two orders are picked, planned, loaded and sent; some cases are refused, one customer's all come back."""
    turns = count()

    def in_turn(client: Persistent, path: str, body: Any = None) -> Any:
        wait_for_share(floor, LAST_SHARE * min(next(turns) / TURNS, 1))
        return client.insist(path, body)

    for path in ("/v1/allocations", "/v1/pick-lists"):
        in_turn(desk, path, {"order_ids": made["orders"]})
    while task := in_turn(picker, "/v1/pick-lists/next"):
        for pick in task["picks"]:
            confirmed = {"scan": pick["sscc"], "cases": pick["cases"]}
            in_turn(picker, f"/v1/picks/{pick['id']}/confirm", confirmed)
    plan = in_turn(desk, "/v1/load-plans", {"ship_on": str(NOW.date()), "drops": made["orders"]})
    (trip,) = in_turn(desk, f"/v1/load-plans/{plan['id']}/confirm")["trips"]
    address = f"/v1/trips/{trip['id']}"
    due = until_answered(picker, f"{address}/next")["next"]
    while due:
        due = in_turn(picker, f"{address}/load", {"scan": due[0]["sscc"]})["next"]
    in_turn(desk, f"{address}/depart")
    first = next(place["sscc"] for place in trip["places"] if place["drop"] == 1)
    made["drop_1"] = next(place["order_id"] for place in trip["places"] if place["drop"] == 1)
    refusal = {"sscc": first, "cases": REFUSED, "reason": "dented cans"}
    in_turn(picker, f"{address}/drops/1/deliver", {"refusals": [refusal]})
    wait_for_share(floor, LAST_SHARE)
    in_turn(desk, f"{address}/end", {"zone_id": made["COLD"], "note": "customer closed"})


def until_answered(client: Persistent, path: str, timeout_s: float = 300) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        try:
            return client.http.get(path)
        except httpx2.TransportError:
            time.sleep(0.05)
    raise AssertionError(f"{path}: nobody answered")


def say(database: Database, site_id: int, committed: list[str], floor: list[Persistent]) -> None:
    """Commit alerts from another process than the one that is killed, all the while."""
    for n in range(ALERTS):
        wait_for_share(floor, LAST_SHARE * n / ALERTS)
        notice = Notice("waste.expected", datetime.now(UTC), {"n": n})
        with database.transaction() as session:
            announce(session, site_id, notice)
        committed.append(notice.message_id)


def kill_in_the_middle(
    server: Process,
    database: Database,
    chance: random.Random,
    floor: list[Persistent],
    work: list[threading.Thread],
    number: int,
) -> bool:
    """Kill the service once enough was done, at a random moment, and start it again; tell whether all were at work."""
    while done_on(floor) < ON_FLOOR * (number + 1) // (KILLS + 2) and all(
        thread.is_alive() for thread in work
    ):
        time.sleep(0.005)
    time.sleep(chance.uniform(0, 0.2))
    alive = all(thread.is_alive() for thread in work)
    server.kill()
    with database.transaction() as session:
        # What was being sent waits for its lease (60 s) to run out: cut short here.
        session.execute(update(Subscription).values(leased_until=None))
    server.start()
    return alive


def ledger_length(database: Database) -> int:
    with database.transaction(readonly=True) as session:
        return session.scalar(select(func.count()).select_from(LedgerEvent)) or 0


def check_facts(database: Database, floor: list[Persistent]) -> None:
    """Each call that was answered is one event of its unit, and there are no others."""
    words = {
        "move": "unit.moved",
        "hold": "unit.held",
        "release": "unit.released",
        "adjust": "cases.adjusted",
    }
    asked: Counter[tuple[str, str]] = Counter()
    for worker in floor:
        for one in worker.acknowledged.values():
            place = one.path.split("/")
            kind, code = (
                ("unit.received", one.body["sscc"]) if len(place) == 3 else (words[place[4]], place[3])
            )
            asked[kind, code] += 1
    with database.transaction(readonly=True) as session:
        rows = session.execute(
            select(col(LedgerEvent.kind), col(LedgerEvent.data)).where(col(LedgerEvent.kind).in_(STEPS))
        ).all()
    codes = {code for _, code in asked}
    assert Counter((kind, data["sscc"]) for kind, data in rows if data["sscc"] in codes) == asked
    assert (len(codes), asked.total()) == (WORKERS * PALLETS, ON_FLOOR)


def check_balances(desk: Persistent, made: dict[str, Any]) -> None:
    """Every case of every lot is where the work put it."""
    api = desk.http
    for lot_id in made["lots"]:
        balance = api.get(f"/v1/lots/{lot_id}/trace")["balance"]
        there = {name: cases for name, cases in balance.items() if cases}
        assert there == {"made": PALLETS * CASES, "at_site": PALLETS * COUNTED, "adjusted": -PALLETS}
    balance = api.get(f"/v1/lots/{made['sold_lot']}/trace")["balance"]
    handed = dict(zip(made["orders"], SOLD, strict=True))[made["drop_1"]] - REFUSED
    there = {name: cases for name, cases in balance.items() if cases}
    assert there == {
        "made": 4 * CASES,
        "at_site": 4 * CASES - handed,
        "departed": handed,
        "handed_over": handed,
    }


def check_alerts(database: Database, receiver: Receiver, secret: str, committed: list[str]) -> None:
    """At least once under their own names, signed as the reference library of Standard Webhooks has it."""
    assert len(committed) == ALERTS
    deadline = time.monotonic() + 120
    while missing := set(committed) - {headers["webhook-id"] for headers, _ in list(receiver.heard)}:
        assert time.monotonic() < deadline, f"{len(missing)} alerts are missing"
        time.sleep(0.02)
    for headers, body in list(receiver.heard):
        Webhook(secret).verify(body, headers)


def check_backup(server: Process, backup: Path, empty_url: str, manifest: Any) -> None:
    """What was backed up beside the work comes back whole and agrees with itself."""
    server.environment = {**server.environment, "RIMEKEEP_DATABASE_URL": empty_url}
    restored = server.command("restore", str(backup), "--json")
    assert (restored.returncode, json.loads(restored.stdout)) == (0, manifest), restored.stderr
    checked = server.command("check", "--json")
    assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
