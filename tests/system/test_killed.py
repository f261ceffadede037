"""
The server is killed (`kill -9`) again and again while handhelds pick and gateways send.

What was acknowledged is there afterwards, nothing is counted twice, and the record holds together.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections import Counter
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from builders.server import serving
from builders.shift import FULL_CASES, Persistent, Shift, finish, open_shift, reserve_and_list, together
from builders.store import stamp
from rimekeep.climate.tables import Reading
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent

pytestmark = pytest.mark.slow

SEED = 20260316
KILLS = 6
PICKS_A_KILL = 35
LOTS, PALLETS_EACH, ORDERS = 6, 14, 70
NOW = datetime.now(UTC).replace(microsecond=0)


def wanted(order: int, product: int) -> int:
    """Mostly a few cases, here and there a whole pallet; not every product in every order."""
    if (order + product) % 7 == 0:
        return FULL_CASES if order % 10 == 0 else 0
    return 1 + (order * 5 + product * 3) % 6


def pick_until_done(picker: Persistent, chance: random.Random) -> None:
    """Take lists and confirm every stop until there is no work left."""
    while task := picker.insist("/v1/pick-lists/next"):
        for pick in task["picks"]:
            if pick["state"] != "open":
                continue
            body = {"scan": pick["sscc"], "bay_check_code": None, "cases": pick["cases"]}
            picker.insist(f"/v1/picks/{pick['id']}/confirm", body)
            time.sleep(chance.uniform(0, 0.02))


def send_until(gateway: Persistent, shift: Shift, chance: random.Random, first: int, stop: Any) -> None:
    """Send one batch of readings after another, each of its own instants."""
    at = NOW - timedelta(days=30) + timedelta(days=first)
    while not stop.is_set():
        batch = [
            {"sensor": shift.sensor_code, "at": stamp(at + timedelta(seconds=n)), "temp": 4 + n / 100}
            for n in range(20)
        ]
        gateway.insist("/v1/readings", {"readings": batch})
        at += timedelta(seconds=20)
        time.sleep(chance.uniform(0, 0.03))


def test_what_was_acknowledged_outlives_the_process(
    database: Database, database_url: str, tmp_path: Path
) -> None:
    chance = random.Random(SEED)
    shift = open_shift(
        database, NOW, pickers=4, lots=LOTS, pallets_each=PALLETS_EACH, orders=ORDERS, wanted=wanted
    )
    reserve_and_list(database, NOW, shift)
    stop = threading.Event()
    alive_at_kill = 0
    with serving(database_url, tmp_path, warm=True) as server, ExitStack() as open_clients:

        def client(token: str, name: str) -> Persistent:
            return open_clients.enter_context(closing(Persistent(server.url, token, name)))

        pickers = [client(token, f"p{n}") for n, token in enumerate(shift.picker_tokens)]
        gateways = [client(shift.admin_token, f"g{n}") for n in range(2)]
        picking = together(
            [lambda p=p: pick_until_done(p, random.Random(f"{SEED} {p.name}")) for p in pickers]
        )
        sending = together(
            [
                lambda g=g, n=n: send_until(g, shift, random.Random(f"{SEED} {g.name}"), n, stop)
                for n, g in enumerate(gateways)
            ]
        )
        for number in range(1, KILLS + 1):
            # In the middle of the work, on a slow machine as on a quick one.
            while sum(len(one.acknowledged) for one in pickers) < number * PICKS_A_KILL and is_at_work(
                picking
            ):
                time.sleep(0.01)
            time.sleep(chance.uniform(0, 0.1))
            alive_at_kill += is_at_work(picking)
            server.kill()
            server.start()
        finish(picking)
        stop.set()
        finish(sending)
        assert alive_at_kill == KILLS, "the work was done before the last kill: give it more"
        assert sum(one.repeats for one in (*pickers, *gateways)) >= KILLS
        check_picks(database, shift, pickers)
        check_readings(database, gateways)
        before = ledger_length(database)
        for one in (*pickers, *gateways):
            one.replay()
        assert ledger_length(database) == before
        check_stock(server.client(shift.admin_token), shift)
        checked = server.command("check", "--json")
        assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])


def is_at_work(threads: list[threading.Thread]) -> bool:
    return any(thread.is_alive() for thread in threads)


def ledger_length(database: Database) -> int:
    with database.transaction(readonly=True) as session:
        return session.scalar(select(func.count()).select_from(LedgerEvent)) or 0


def check_picks(database: Database, shift: Shift, pickers: list[Persistent]) -> None:
    """Each pick was confirmed once, with the cases that were acknowledged."""
    told = Counter(
        {
            int(asked.path.split("/")[3]): asked.answer["picked_cases"]
            for picker in pickers
            for asked in picker.acknowledged.values()
            if asked.path.endswith("/confirm")
        }
    )
    with database.transaction(readonly=True) as session:
        events = session.execute(
            select(col(LedgerEvent.data), col(LedgerEvent.cases)).where(
                col(LedgerEvent.kind) == "pick.confirmed"
            )
        ).all()
    assert len(events) == len(told) > 200
    assert {data["pick_id"]: cases for data, cases in events} == dict(told)
    assert told.total() == sum(wanted(order, product) for order in range(ORDERS) for product in range(LOTS))


def check_readings(database: Database, gateways: list[Persistent]) -> None:
    """Every reading of every acknowledged batch is held, once."""
    batches = [asked.answer for gateway in gateways for asked in gateway.acknowledged.values()]
    assert all((batch["stored"], batch["repeated"], batch["refused"]) == (20, 0, 0) for batch in batches)
    with database.transaction(readonly=True) as session:
        held = session.scalar(select(func.count()).select_from(Reading))
    assert held == 20 * len(batches) > 20 * KILLS


def check_stock(api: Any, shift: Shift) -> None:
    """Every case is where the picks put it."""
    with api:
        units, cursor = [], ""
        while True:
            page = api.get(f"/v1/units?limit=1000{cursor}")
            units += page["items"]
            if page["next_cursor"] is None:
                break
            cursor = f"&cursor={page['next_cursor']}"
        cases: Counter[str] = Counter()
        for unit in units:
            cases[unit["state"]] += sum(content["cases"] for content in unit["contents"])
            for content in unit["contents"]:
                kept = content["cases"] if unit["state"] == "picked" else 0
                assert content["reserved_cases"] == kept, unit
        picked = sum(wanted(order, product) for order in range(ORDERS) for product in range(LOTS))
        made = LOTS * PALLETS_EACH * FULL_CASES
        assert dict(cases) | {"empty": 0} == {"in_store": made - picked, "picked": picked, "empty": 0}
        for lot_id in shift.lot_ids:
            balance = api.get(f"/v1/lots/{lot_id}/trace")["balance"]
            assert (balance["made"], balance["difference"]) == (PALLETS_EACH * FULL_CASES, 0)
        assert {api.get(f"/v1/orders/{order_id}")["state"] for order_id in shift.order_ids} == {"picked"}
