"""
A dispatcher's and a loader's day against a real server process, on both databases.

Planned in the background, changed by hand, confirmed, loaded by scan with one wrong scan, delivered with some cases
refused, and back with the rest: at the end every case is accounted for. Everything in it is invented.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from builders.postgres import PostgresServer
from builders.server import Http, serving
from builders.store import TRUCK, stamp
from rimekeep.stock.core.gs1 import sscc

NOW = datetime.now(UTC).replace(microsecond=0)
TODAY = NOW.date()
PATIENCE_S = 180


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database without any table."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'store.sqlite3'}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create()
    yield server.url(name)
    server.drop(name)


def furnish_store(api: Http) -> dict[str, int]:
    """Two rooms, one beer, one lot on four pallets of twelve kegs, two customers with an order each."""
    made: dict[str, int] = {}
    for code, kind in (("KEGS", "store"), ("STAGE", "staging")):
        made[kind] = api.made("/v1/zones", {"code": code, "name": code, "kind": kind, "planned_c": 4})["id"]
    product = api.made(
        "/v1/products",
        {
            "sku": "KEG30", "name": "Test pale, keg 30 L", "package": "keg", "abv_pct": 5.0, "case_mass_kg": 41.5,
            "cases_per_layer": 6, "layers_per_pallet": 2, "pallet_tare_kg": 25, "footprint": "1000x1200",
            "carry_min_c": 1, "carry_max_c": 8,
        },
    )  # fmt: skip
    lot = api.made(
        "/v1/lots",
        {
            "product_id": product["id"], "code": "L1", "packaged_at": stamp(NOW - timedelta(days=3)),
            "best_before_on": str(TODAY + timedelta(days=120)),
        },
    )  # fmt: skip
    made["lot"] = lot["id"]
    api.made(f"/v1/lots/{lot['id']}/release", {"reason": "analysis is good"})
    for number in range(1, 5):
        api.made(
            "/v1/units",
            {
                "sscc": sscc(3, "9521234", number), "zone_id": made["store"],
                "contents": [{"lot_id": lot["id"], "cases": 12}], "received_at": stamp(NOW - timedelta(days=2)),
            },
        )  # fmt: skip
    for code, cases in (("BAR", 24), ("TRADE", 17)):
        customer = api.made("/v1/customers", {"code": code, "name": f"{code} (invented)"})
        order = {
            "code": f"SO-{code}", "customer_id": customer["id"], "ship_on": str(TODAY), "deliver_on": str(TODAY),
            "lines": [{"product_id": product["id"], "cases": cases}],
        }  # fmt: skip
        made[code] = api.made("/v1/orders", order)["id"]
    return made


def pick_all(api: Http, picker: Http, order_ids: list[int]) -> None:
    api.made("/v1/allocations", {"order_ids": order_ids})
    api.made("/v1/pick-lists", {"order_ids": order_ids})
    while task := picker.post("/v1/pick-lists/next").json():
        for pick in task["picks"]:
            picker.made(f"/v1/picks/{pick['id']}/confirm", {"scan": pick["sscc"], "cases": pick["cases"]})


def plan_in_background(api: Http, drops: list[int]) -> dict[str, Any]:
    """Ask for a plan and follow the job until it is there."""
    answer = api.client.post(
        "/v1/load-plans",
        json={"ship_on": str(TODAY), "drops": drops},
        headers={"Prefer": "respond-async", "Idempotency-Key": "plan-of-the-day"},
    )
    assert answer.status_code == 202, answer.text
    address, until = answer.headers["Location"], time.monotonic() + PATIENCE_S
    while (job := api.get(address))["state"] in ("waiting", "running"):
        assert time.monotonic() < until, job
        time.sleep(0.1)
    assert job["state"] == "done", job
    plan: dict[str, Any] = api.get(f"/v1/load-plans/{job['plan_id']}")
    assert plan["status"] == "optimal"
    return plan


def swap_two(api: Http, trip: dict[str, Any]) -> None:
    """Two pallets of the first drop change places: looked at, then made."""
    one, other = [place for place in trip["places"] if place["drop"] == 1]
    body = {"sscc": one["sscc"], "row": other["row"], "lane": other["lane"]}
    address = f"/v1/trips/{trip['id']}/moves"
    shown = api.made(address, {**body, "only_preview": True})
    assert (shown["is_made"], shown["violations"]) == (False, [])
    assert {one["limit"] for one in shown["changes"][0]["limits"]} >= {"front", "rear", "payload"}
    assert api.get(f"/v1/trips/{trip['id']}")["places"] == trip["places"]
    assert api.made(address, body)["swapped_with"] == other["sscc"]


def load_by_scan(picker: Http, trip: dict[str, Any]) -> None:
    """The wrong unit is caught at the door; the rest goes on in turn."""
    address = f"/v1/trips/{trip['id']}"
    early = next(place["sscc"] for place in trip["places"] if place["drop"] == 1)
    wrong = picker.post(f"{address}/load", {"scan": early})
    assert (wrong.status_code, wrong.json()["type"]) == (409, "/problems/not-next")
    assert "it would bar the way to drop 2" in wrong.json()["detail"]
    due = picker.get(f"{address}/next")["next"]
    while due:
        due = picker.made(f"{address}/load", {"scan": f"]C100{due[0]['sscc']}"})["next"]


@pytest.mark.slow
def test_a_dispatchers_day(empty_database: str, tmp_path: Path) -> None:
    with serving(empty_database, tmp_path) as server, server.client() as api:
        made = furnish_store(api)
        token = api.made("/v1/devices", {"name": "handheld", "roles": ["picker"]})["token"]
        api.made("/v1/vehicles", {"code": "T1", "name": "Truck 1", "truck": TRUCK})
        with server.client(token) as picker:
            pick_all(api, picker, [made["BAR"], made["TRADE"]])
            plan = plan_in_background(api, [made["BAR"], made["TRADE"]])
            (trip,) = plan["trips"]
            swap_two(api, trip)
            trip = api.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]
            load_by_scan(picker, trip)
            address = f"/v1/trips/{trip['id']}"
            for paper in ("sheet.pdf", "delivery-notes.pdf"):
                assert picker.client.get(f"{address}/{paper}").content.startswith(b"%PDF-")
            api.made(f"{address}/depart")
            first = [place["sscc"] for place in trip["places"] if place["drop"] == 1]
            body = {
                "refusals": [{"sscc": first[0], "cases": 3, "reason": "dented kegs"}],
                "empties": [{"kind": "keg", "pieces": 20, "mass_kg": 180}],
            }
            picker.made(f"{address}/drops/1/deliver", body)
        drops = api.get(f"{address}/drops")
        (refused,) = drops["refusals"]
        assert (refused["sscc"], refused["cases"]) == (first[0], 3)
        # Nobody said on how many places they stand.
        taken = {"drop": 1, "kind": "keg", "pieces": 20, "mass_kg": 180, "places": None}
        assert drops["empties"] == [taken]
        assert any(refused["refused_sscc"] in line for line in drops["rest"]["lines"])
        # The second customer is closed: all of drop 2 comes back.
        api.made(f"{address}/end", {"zone_id": made["store"], "note": "customer closed"})
        check_all(api, server, made, trip, refused["refused_sscc"])


def check_all(api: Http, server: Any, made: dict[str, int], trip: dict[str, Any], refused: str) -> None:
    """Stock, events and the record are right to the case."""
    states = {one["sscc"]: one for one in api.get("/v1/units?limit=100")["items"]}
    assert (states[refused]["state"], states[refused]["qa_state"]) == ("in_store", "held")
    returned = [place["sscc"] for place in trip["places"] if place["drop"] == 2]
    for one in returned:
        assert (states[one]["state"], states[one]["qa_state"]) == ("in_store", "released")
    trace = api.get(f"/v1/lots/{made['lot']}/trace")
    # 48 made; 24 went to the bar less 3 refused; 17 came back, 7 never left.
    assert {name: cases for name, cases in trace["balance"].items() if cases} == {
        "made": 48, "at_site": 27, "departed": 21, "handed_over": 21
    }  # fmt: skip
    assert sum(one["refused_cases"] for one in trace["departures"]) == 3
    assert sum(one["cases"] for one in trace["departures"] if one["came_back"]) == 17
    kinds: Counter[str] = Counter()
    for event in api.get(f"/v1/lots/{made['lot']}/events?limit=200")["items"]:
        kinds[event["kind"]] += event["cases"] or 0
    assert kinds["unit.departed"] == 41
    assert kinds["unit.delivered"] == 21
    assert kinds["cases.refused"] == 3
    assert kinds["unit.taken-back"] == 20
    checked = server.command("check", "--json")
    assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
