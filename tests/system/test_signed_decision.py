"""
QA's whole way, from a logger's reading to a signed decision: real server, real broker, real webhook receiver.

Readings come over MQTT, the cold fails, the alert arrives signed at somebody else's process, the stock is held
with what it cost, QA takes it on, decides with a signature, and the sheet says that it is signed off. Everything
in it is invented.
"""

from __future__ import annotations

import hashlib
import json
import math
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2
import pytest
from standardwebhooks import Webhook

from builders import hook
from builders.broker import Broker, Gateway, brokering
from builders.postgres import PostgresServer
from builders.server import Http, free_port, serving
from builders.store import stamp
from rimekeep.stock.core.gs1 import sscc

NOW = datetime.now(UTC).replace(microsecond=0)
TAU_H = 12.0
FLAVOUR = {
    "name": "flavour staling",
    "reference_c": 20.0,
    "reference_life_days": 60.0,
    "life_sd_days": 6.0,
    "activation_kj_mol": 101.8,
    "parameter_sd": 6.0,
    "source": "invented",
}


@pytest.fixture(params=[pytest.param("sqlite", marks=pytest.mark.slow), "postgresql"])
def empty_database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database without any table."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'store.sqlite3'}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create()
    yield server.url(name)
    server.drop(name)


class Hook:
    """Somebody else's webhook endpoint, a process of its own."""

    def __init__(self, url: str, heard: Path) -> None:
        self.url, self._heard = url, heard

    def heard(self) -> list[dict[str, Any]]:
        """Everything that came, in order."""
        return (
            [json.loads(line) for line in self._heard.read_text().splitlines()]
            if self._heard.exists()
            else []
        )

    def kinds(self) -> list[str]:
        """The kinds of what came."""
        return [json.loads(one["body"])["type"] for one in self.heard()]

    def wait_for(self, kind: str, secret: str) -> dict[str, Any]:
        """Wait for a message; the reference library of Standard Webhooks verifies its signature."""
        until(lambda: kind in self.kinds(), f"no {kind} came")
        one = self.heard()[self.kinds().index(kind)]
        Webhook(secret).verify(one["body"].encode(), one["headers"])
        return dict(json.loads(one["body"])["data"])


@contextmanager
def hooked(folder: Path) -> Iterator[Hook]:
    port, heard = free_port(), folder / "heard.jsonl"
    process = subprocess.Popen([sys.executable, hook.__file__, str(port), str(heard)])
    try:
        until(lambda: answers(f"http://127.0.0.1:{port}/"), "the receiver did not start")
        yield Hook(f"http://127.0.0.1:{port}/cold", heard)
    finally:
        process.terminate()
        process.wait(60)


def answers(url: str) -> bool:
    try:
        httpx2.get(url)
    except httpx2.TransportError:
        return False
    return True


def until(is_so: Callable[[], Any], what: str, *, timeout_s: float = 120) -> Any:
    """Wait until something is so; return it."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if found := is_so():
            return found
        time.sleep(0.1)
    raise AssertionError(what)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    with brokering(folder) as running:
        yield running


def air(at: datetime) -> float:
    """Air of the room: 4 °C, and three hours at 15 °C that ended an hour ago."""
    return 15.0 if NOW - timedelta(hours=4) <= at < NOW - timedelta(hours=1) else 4.0


def furnish(api: Http) -> dict[str, Any]:
    """A room with a logger and a rule, a beer with its profile, and two pallets that stood there for two days."""
    room = api.made("/v1/zones", {"code": "COLD", "name": "Cold room", "kind": "store", "planned_c": 4})
    beer = {
        "sku": "PALE", "name": "Test pale, keg 30 L", "package": "keg", "abv_pct": 5.2, "original_extract_p": 12.4,
        "alcohol_mass_pct": 4.1, "case_mass_kg": 41.5, "cases_per_layer": 6, "layers_per_pallet": 2,
        "pallet_tare_kg": 25, "footprint": "1000x1200", "carry_min_c": 1, "carry_max_c": 6,
    }  # fmt: skip
    product = api.made("/v1/products", beer)
    api.made(
        f"/v1/products/{product['id']}/profiles",
        {
            "tau_h": TAU_H,
            "planned_c": 4,
            "freezing_minutes": 60,
            "routes": [FLAVOUR],
            "reason": "opening profile",
        },
    )
    lot = api.made(
        "/v1/lots",
        {"product_id": product["id"], "code": "L1", "packaged_at": stamp(NOW - timedelta(days=3)),
         "best_before_on": str((NOW + timedelta(days=900)).date())},
    )  # fmt: skip
    api.made(f"/v1/lots/{lot['id']}/release", {"reason": "tasted"})
    for number in (1, 2):
        api.made(
            "/v1/units",
            {"sscc": sscc(3, "9521234", number), "zone_id": room["id"], "bay_id": None, "start_core_c": 4.0,
             "received_at": stamp(NOW - timedelta(days=2)), "contents": [{"lot_id": lot["id"], "cases": 12}]},
        )  # fmt: skip
    api.made("/v1/sensors", {"code": "cold-1", "zone_id": room["id"], "interval_s": 600, "error_c": 0.3})
    api.made(
        "/v1/excursion-rules",
        {"zone_id": room["id"], "name": "cold room warm", "side": "above", "limit_c": 8, "kind": "single",
         "allowed_s": 3600, "severity": "critical", "holds_stock": True, "guard_c": "sensor"},
    )  # fmt: skip
    return {"room": room["id"], "lot": lot["id"]}


def pack(instants: list[datetime]) -> list[dict[str, Any]]:
    """SenML (RFC 8428) with absolute times."""
    first = instants[0].timestamp()
    head = {"bn": "cold-1", "bu": "Cel", "bt": first, "t": 0, "v": air(instants[0])}
    return [head, *({"t": at.timestamp() - first, "v": air(at)} for at in instants[1:])]


def test_from_a_reading_to_a_signed_decision(empty_database: str, broker: Broker, tmp_path: Path) -> None:
    settings = {"mqtt_url": broker.url(), "refresh_every_s": "2"}
    with (
        serving(empty_database, tmp_path, warm=True, **settings) as server,
        hooked(tmp_path) as receiver,
        server.client() as admin,
    ):
        made = furnish(admin)
        secret = admin.made(
            "/v1/subscriptions", {"url": receiver.url, "kinds": ["excursion.opened", "excursion.ended"]}
        )["secret"]
        admin.made("/v1/devices", {"name": "gw-1", "roles": ["gateway"]})
        token = admin.made("/v1/people", {"name": "Q. Invented", "roles": ["qa"]})["token"]
        site = admin.get("/v1/me")["site"]["code"]
        with Gateway(broker, "gw-1", site=site, user="any gateway") as gateway, server.client(token) as qa:
            gateway.state_of_listener("listening")
            instants = [NOW - timedelta(days=2) + timedelta(minutes=10 * n) for n in range(2 * 144 + 1)]
            # The warm hours first, the calm days late and twice: the order of news changes nothing.
            for part in (instants[200:], instants[:210]):
                told = gateway.ask(pack(part))
                assert (told["state"], told["refused"]) == ("taken", 0)
            told = receiver.wait_for("excursion.opened", secret)
            assert (told["zone"], told["units"], told["cases"], told["held_units"]) == ("COLD", 2, 24, 2)
            # It was over when it became known: one alert says both.
            assert datetime.fromisoformat(told["ended_at"]) == NOW - timedelta(hours=1)

            path = f"/v1/excursions/{told['excursion_id']}"
            seen = qa.get(path)
            assert (seen["peak_c"], seen["is_closed"]) == (15.0, False)
            # Lumped warming and cooling (Çengel, ch. 11) and E from Kvasný průmysl 24(2) 30-32 (1978), step by step
            # of ten seconds, give the days of life the three hours cost, the core's way back included.
            assert seen["touched"][0]["life_lost_days"] == pytest.approx(own_cost_days(), rel=0.005)
            qa.made(f"{path}/acknowledge", {"note": "compressor repaired"})
            decision = {"lot_id": made["lot"], "decision": "release", "reason": "tasted, half a day lost"}
            refused = qa.post(f"{path}/decisions", {**decision, "signature_token": server.token})
            assert refused.status_code == 403
            assert not qa.get(path)["is_closed"]
            assert "not signed off" in qa.client.get(f"{path}/report").text.lower()
            signed = qa.made(f"{path}/decisions", {**decision, "signature_token": token})
            assert (signed["left_on_hold"], signed["open_points"]) == ([], [])
            assert qa.get(path)["is_closed"]
            for number in (1, 2):
                assert qa.get(f"/v1/units/{sscc(3, '9521234', number)}")["qa_state"] == "released"
            sheet = qa.client.get(f"{path}/report").text
            assert "<svg" in sheet
            assert "Q. Invented" in sheet
            assert receiver.kinds() == ["excursion.opened"]
            report = qa.get(f"{path}/report.json")
            told_once_more = json.dumps(
                report["facts"], sort_keys=True, separators=(",", ":"), ensure_ascii=False
            )
            assert report["sha256"] == hashlib.sha256(told_once_more.encode()).hexdigest()
            assert report["is_signed_off"]
        done = server.command("check", "--json")
        assert (done.returncode, json.loads(done.stdout)["findings"]) == (0, [])


def own_cost_days() -> float:
    """The cost by hand: the core as a first-order lag, the rate by Arrhenius' law, in steps of ten seconds."""

    def rate(core_c: float) -> float:
        return math.exp(-101.8e3 / 8.314462618 * (1 / (core_c + 273.15) - 1 / 293.15))

    step_h = 10 / 3600
    core = planned = 4.0
    cost = 0.0
    for number in range(int(200 / step_h)):
        hours = number * step_h
        # Ten-minute readings joined by straight lines: a ramp up before the first warm one, and down after the
        # last. The window opens with the first warm reading; the core it finds is the same in both courses.
        if hours < 1 / 6:
            air_c = 4 + 11 * hours * 6
        else:
            air_c = 15.0 if hours < 3 else max(4.0, 15 - 11 * (hours - 3) * 6)
        core += (air_c - core) / TAU_H * step_h
        planned = core if hours < 1 / 6 else planned + (4 - planned) / TAU_H * step_h
        cost += (rate(core) - rate(planned)) / rate(4.0) * step_h / 24
    return cost
