"""
Sixty-four clients at once want the same stock, then the same work, from one server process.

The number is that of a large store's handhelds; what matters is that it is far more than the service has threads
for one thing.
"""

from __future__ import annotations

import json
from collections import Counter
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from builders.server import Process, serving
from builders.shift import FULL_CASES, Persistent, Shift, finish, open_shift, together
from rimekeep.picking.tables import Allocated, PickList
from rimekeep.platform.database import Database
from rimekeep.stock.tables import UnitContent

pytestmark = pytest.mark.slow

CLIENTS = 64
ORDERS = 2 * CLIENTS
PALLETS = 20
NOW = datetime.now(UTC).replace(microsecond=0)


def wanted(order: int, product: int) -> int:
    """10 cases an order of the scarce beer: 1,280 in all where 960 stand; one case of the plentiful one."""
    return 10 if product == 0 else 1


def by_everybody(server: Process, tokens: list[str], work: Any) -> list[Any]:
    """Let every client do its work at the same moment; return what each brought."""
    brought: dict[int, Any] = {}
    with ExitStack() as open_clients:
        clients = [
            open_clients.enter_context(closing(Persistent(server.url, token, f"{work.__name__}{n}")))
            for n, token in enumerate(tokens)
        ]

        def one(number: int) -> None:
            brought[number] = work(number, clients[number])

        finish(together([lambda n=n: one(n) for n in range(len(clients))]))
    assert len(brought) == len(tokens)
    return [brought[number] for number in range(len(tokens))]


def test_a_crowd_gets_every_case_once_and_every_list_once(
    database: Database, database_url: str, tmp_path: Path
) -> None:
    shift = open_shift(
        database, NOW, pickers=CLIENTS, lots=2, pallets_each=PALLETS, orders=ORDERS, wanted=wanted
    )
    with serving(database_url, tmp_path, warm=True) as server:
        reserve(server, database, shift)
        make_lists(server, database, shift)
        take_and_pick(server, database, shift)
        checked = server.command("check", "--json")
        assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
        with server.client(shift.admin_token) as api:
            for lot_id in shift.lot_ids:
                balance = api.get(f"/v1/lots/{lot_id}/trace")["balance"]
                assert (balance["made"], balance["difference"]) == (PALLETS * FULL_CASES, 0)


def reserve(server: Process, database: Database, shift: Shift) -> None:
    """Two clients want each order, each client two orders: what is promised is never more than what stands."""

    def allocate(number: int, client: Persistent) -> list[Any]:
        # The neighbour asks for one of the two as well, so that orders are fought over and not only stock.
        mine = [shift.order_ids[2 * number], shift.order_ids[(2 * number + 3) % ORDERS]]
        return [client.insist("/v1/allocations", {"order_ids": [order_id]}) for order_id in mine]

    answers = by_everybody(server, [shift.admin_token] * CLIENTS, allocate)
    told: Counter[int] = Counter()
    for wave in (wave for waves in answers for wave in waves):
        for line in wave["lines"]:
            for taken in line["taken"]:
                told[taken["content_id"]] += taken["cases"]
    with database.transaction(readonly=True) as session:
        contents = session.execute(
            select(col(UnitContent.id), col(UnitContent.cases), col(UnitContent.reserved_cases))
        ).all()
        rows = session.execute(
            select(col(Allocated.content_id), func.sum(col(Allocated.cases))).group_by(
                col(Allocated.content_id)
            )
        ).all()
    stored = {content_id: int(cases) for content_id, cases in rows}
    assert all(0 <= reserved <= cases for _, cases, reserved in contents)
    assert {i: reserved for i, _, reserved in contents if reserved} == stored == dict(told)
    # Nothing of the scarce beer is left lying, and nobody waits for the plentiful one.
    assert sum(stored.values()) == PALLETS * FULL_CASES + ORDERS
    with server.client(shift.admin_token) as api:
        short = sum(
            line["short"]["cases"]
            for order_id in shift.order_ids
            for line in api.get(f"/v1/orders/{order_id}")["lines"]
            if line["short"]
        )
    assert short == 10 * ORDERS - PALLETS * FULL_CASES


def make_lists(server: Process, database: Database, shift: Shift) -> None:
    """Every order is put onto a list by two clients at once, and is on one only."""

    def make(number: int, client: Persistent) -> list[int]:
        mine = [shift.order_ids[(2 * number + step) % ORDERS] for step in range(4)]
        return [task["id"] for task in client.insist("/v1/pick-lists", {"order_ids": mine})]

    made = [
        list_id for lists in by_everybody(server, [shift.admin_token] * CLIENTS, make) for list_id in lists
    ]
    with database.transaction(readonly=True) as session:
        stored = session.execute(select(col(PickList.id), col(PickList.order_id))).all()
    assert sorted(made) == sorted(list_id for list_id, _ in stored)
    assert Counter(order_id for _, order_id in stored) == Counter(shift.order_ids)


def take_and_pick(server: Process, database: Database, shift: Shift) -> None:
    """Each handheld takes a list nobody else has and picks it; then the next, until all are done."""

    def pick(number: int, client: Persistent) -> dict[int, int]:
        done: dict[int, int] = {}
        while task := client.insist("/v1/pick-lists/next"):
            assert task["id"] not in done
            done[task["id"]] = 0
            for stop in task["picks"]:
                body = {"scan": stop["sscc"], "bay_check_code": None, "cases": stop["cases"]}
                done[task["id"]] += client.insist(f"/v1/picks/{stop['id']}/confirm", body)["picked_cases"]
        return done

    brought = by_everybody(server, shift.picker_tokens, pick)
    times = Counter(list_id for done in brought for list_id in done)
    with database.transaction(readonly=True) as session:
        lists = session.execute(select(col(PickList.id), col(PickList.state))).all()
    assert times == Counter(list_id for list_id, _ in lists)
    assert {state for _, state in lists} == {"done"}
    assert sum(cases for done in brought for cases in done.values()) == PALLETS * FULL_CASES + ORDERS
    assert sum(1 for done in brought if done) > CLIENTS // 2
