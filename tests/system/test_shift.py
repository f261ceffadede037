"""
A shift against a real server: three handhelds, one dies, one is offline for a while, a lot goes on hold meanwhile.

At the end stock, picks and the record agree to the case.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from builders.server import Http, Process, serving
from builders.shift import FULL_CASES, Shift, open_shift, reserve_and_list
from builders.stock import make_bay, make_lot, make_unit
from rimekeep.picking.queries import LIVE
from rimekeep.picking.tables import Allocated, Pick
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.queries import zones
from rimekeep.stock.tables import Lot, UnitContent
from rimekeep.stock.usecases import hold_lot

NOW = datetime.now(UTC).replace(microsecond=0)
LOTS, PALLETS_EACH, ORDERS = 3, 4, 6

# The handheld that dies is a process of its own: it takes a list, picks one stop, says so, and hangs.
DYING = """
import json, sys, time
import httpx2
url, token = sys.argv[1:]
client = httpx2.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=120)
task = client.post("/v1/pick-lists/next", headers={"Idempotency-Key": "d1"}).json()
pick = task["picks"][0]
body = {"scan": pick["sscc"], "cases": pick["cases"]}
done = client.post(f"/v1/picks/{pick['id']}/confirm", json=body, headers={"Idempotency-Key": "d2"})
print(json.dumps({"list": task["id"], "picked": done.json(), "open": task["picks"][1:]}), flush=True)
time.sleep(600)
"""


def wanted(order: int, product: int) -> int:
    """A few cases of everything, a whole pallet of the first for one order."""
    return FULL_CASES if (order, product) == (0, 0) else 3 + (2 * order + product) % 5


def queued(pick: dict[str, Any], number: int) -> dict[str, Any]:
    """A confirmation as a device without a network keeps it; its clock is two days behind."""
    at = NOW - timedelta(days=2) + timedelta(seconds=number)
    call = {"key": f"off-{number}", "at": at.isoformat(), "call": "confirm", "pick_id": pick["id"]}
    return {**call, "scan": pick["sscc"], "cases": pick["cases"]}


def open_picks(task: dict[str, Any]) -> list[dict[str, Any]]:
    """The stops of a list still to be picked."""
    return [pick for pick in task["picks"] if pick["state"] == "open"]


def dies(server: Process, token: str) -> dict[str, Any]:
    """Let a handheld pick one stop and be killed; return what it had said."""
    with subprocess.Popen(
        [sys.executable, "-c", DYING, server.url, token], stdout=subprocess.PIPE, text=True, env=os.environ
    ) as process:
        assert process.stdout is not None
        said = json.loads(process.stdout.readline())
        process.send_signal(signal.SIGKILL)
    return said  # type: ignore[no-any-return]


@pytest.mark.slow
def test_a_shift_ends_with_stock_picks_and_events_that_agree_to_the_case(
    database: Database, database_url: str, tmp_path: Path
) -> None:
    shift = open_shift(
        database, NOW, pickers=3, lots=LOTS, pallets_each=PALLETS_EACH, orders=ORDERS, wanted=wanted
    )
    young_lot_id = more_stock(database, shift)
    reserve_and_list(database, NOW, shift)
    with serving(database_url, tmp_path, warm=True) as server:
        dying, offline, steady = shift.picker_tokens
        with (
            server.client(offline) as away,
            server.client(steady) as at_work,
            server.client(shift.admin_token) as office,
        ):
            told: Counter[int] = Counter()
            said = dies(server, dying)
            told[said["picked"]["pick_id"]] += said["picked"]["picked_cases"]

            # One goes where there is no network; what it picks it keeps to itself.
            mine = away.made("/v1/pick-lists/next")
            calls = [queued(pick, number) for number, pick in enumerate(open_picks(mine))]

            # A lot goes on hold in the middle of the wave; what was reserved of it comes from elsewhere.
            with database.transaction() as session:
                hold_lot(session, NOW, shift.desk, lot_id=shift.lot_ids[0], reason="haze in the sample")
            office.made("/v1/allocations/recheck", {})

            # The lead gives the dead one's list to the one at work: it ends what it has, then that.
            taken = office.made(
                f"/v1/pick-lists/{said['list']}/take-over", {"reason": "fell from the forklift"}
            )
            assert taken["state"] == "ready"
            work(at_work, told, lists=2)

            # The offline one is back: shuffled and twice, then all of it once more.
            answers = send(away, calls, told)
            check_offline(answers, mine, shift, database)
            work(away, told)
            work(at_work, told)

            # What the dead one still had in its queue comes late, and counts no more.
            with server.client(dying) as dead:
                late = dead.made(
                    "/v1/pick-queue", {"calls": [queued(pick, 900 + pick["id"]) for pick in said["open"]]}
                )
            assert {one["outcome"] for one in late["calls"]} == {"over"}
            bring_all(office, at_work, away)
            checked = server.command("check", "--json")
            assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
            check_books(database, told, shift, young_lot_id)
            check_orders(office, shift)


def more_stock(database: Database, shift: Shift) -> int:
    """A younger lot of the first product, to serve from when the older one is stopped; and a staging bay."""
    with database.transaction() as session:
        first = session.get_one(Lot, shift.lot_ids[0])
        young = make_lot(
            session, NOW, shift.desk, product_id=first.product_id,
            best_before_on=first.best_before_on + timedelta(days=20),
        )  # fmt: skip
        rooms = zones(session, shift.site_id)
        store = next(zone for zone in rooms if zone.id == shift.zone_id)
        staging = next(zone for zone in rooms if zone.kind == "staging")
        for _ in range(PALLETS_EACH):
            make_unit(session, NOW, shift.desk, young, store, cases=FULL_CASES)
        make_bay(session, NOW, shift.desk, staging, code="S-1", check_code="71")
        return young.id


def work(client: Http, told: Counter[int], *, lists: int = 1000) -> None:
    """Pick list after list, stop by stop, and note what was acknowledged."""
    for _ in range(lists):
        task = client.made("/v1/pick-lists/next")
        if task is None:
            return
        while stops := open_picks(client.get(f"/v1/pick-lists/{task['id']}")):
            for pick in stops:
                body = {"scan": pick["sscc"], "cases": pick["cases"]}
                response = client.post(f"/v1/picks/{pick['id']}/confirm", body)
                if response.status_code == 200:
                    told[pick["id"]] += response.json()["picked_cases"]
                else:
                    # Withdrawn in this very moment, for the lot is on hold.
                    assert response.json()["type"] in ("/problems/pick-done", "/problems/stock-held")


def send(client: Http, calls: list[dict[str, Any]], told: Counter[int]) -> dict[str, Counter[str]]:
    """Send a queue shuffled with all in it twice, and again; return the outcomes of each call."""
    chance = random.Random(11)
    outcomes: dict[str, Counter[str]] = {call["key"]: Counter() for call in calls}
    for times in (2, 1):
        shuffled = calls * times
        chance.shuffle(shuffled)
        body = {"calls": shuffled, "sent_at": (NOW - timedelta(days=2)).isoformat()}
        answer = client.made("/v1/pick-queue", body)
        assert answer["clock_line"].startswith("This device's clock is 2 d 0 h behind")
        for one in answer["calls"]:
            outcomes[one["key"]][one["outcome"]] += 1
            if one["outcome"] == "done":
                told[one["result"]["pick_id"]] += one["result"]["picked_cases"]
    return outcomes


def check_offline(
    outcomes: dict[str, Counter[str]], mine: dict[str, Any], shift: Shift, database: Database
) -> None:
    """What is good was done once and known twice; what is of the lot on hold is over, all three times."""
    with database.transaction(readonly=True) as session:
        held = session.get_one(Lot, shift.lot_ids[0]).code
    is_held = [pick["lot_code"] == held for pick in open_picks(mine)]
    assert any(is_held)
    assert not all(is_held)
    for number, stopped in enumerate(is_held):
        expected = {"over": 3} if stopped else {"done": 1, "repeated": 2}
        assert dict(outcomes[f"off-{number}"]) == expected


def bring_all(office: Http, *devices: Http) -> None:
    """Each device brings what it picked to staging."""
    names = {device.get("/v1/me")["id"]: device for device in devices}
    for task in office.get("/v1/pick-lists?state=done&limit=100")["items"]:
        body = {"bay": "S-1", "bay_check_code": "71"}
        done = names[task["device_id"]].made(f"/v1/pick-lists/{task['id']}/bring", body)
        assert done["outcome"] == "done"
    assert office.get("/v1/pick-lists?state=ready")["items"] == []
    assert office.get("/v1/pick-lists?state=taken")["items"] == []


def check_books(database: Database, told: Counter[int], shift: Shift, young_lot_id: int) -> None:
    """What devices were told, what picks say and what the ledger says are one."""
    asked = sum(wanted(order, product) for order in range(ORDERS) for product in range(LOTS))
    with database.transaction(readonly=True) as session:
        stored = {
            row[0]: row[1]
            for row in session.execute(
                select(col(Pick.id), col(Pick.picked_cases)).where(col(Pick.picked_cases) > 0)
            )
        }
        events = session.execute(
            select(col(LedgerEvent.data), col(LedgerEvent.cases)).where(
                col(LedgerEvent.kind) == "pick.confirmed"
            )
        ).all()
        live = session.scalar(select(func.sum(col(Allocated.cases))).where(col(Allocated.state).in_(LIVE)))
        made = session.scalar(select(func.sum(col(Lot.cases_made))))
        there = session.scalar(select(func.sum(col(UnitContent.cases))))
        of_held = session.scalar(
            select(func.coalesce(func.sum(col(UnitContent.cases)), 0)).where(
                col(UnitContent.lot_id) == shift.lot_ids[0], col(UnitContent.reserved_cases) > 0
            )
        )
        of_young = session.scalar(
            select(func.sum(col(UnitContent.reserved_cases))).where(col(UnitContent.lot_id) == young_lot_id)
        )
    assert len(events) == len(stored)
    assert stored == {data["pick_id"]: cases for data, cases in events} == dict(told)
    assert sum(stored.values()) == live == asked
    assert made == there == (LOTS + 1) * PALLETS_EACH * FULL_CASES
    # Of the lot on hold only what was picked before is promised; the rest came from the younger one.
    assert of_held + of_young == sum(wanted(order, 0) for order in range(ORDERS))
    assert of_young > 0


def check_orders(office: Http, shift: Shift) -> None:
    """Every order is picked, every lot's cases are where they should be."""
    for order_id in shift.order_ids:
        order = office.get(f"/v1/orders/{order_id}")
        assert (order["state"], [line["short"] for line in order["lines"]]) == ("picked", [None] * LOTS)
    for lot_id in shift.lot_ids:
        balance = office.get(f"/v1/lots/{lot_id}/trace")["balance"]
        assert (balance["made"], balance["difference"]) == (PALLETS_EACH * FULL_CASES, 0)
