"""
The whole job through HTTP against a real server process, on both databases.

Files come in by the command line, readings, orders, picks and trucks over HTTP, an alert goes out to somebody
else's webhook, and at the end every case is accounted for. Everything in it is invented.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from scipy.integrate import solve_ivp
from standardwebhooks import Webhook

from builders.postgres import PostgresServer
from builders.server import Http, Process, Receiver, receiving, serving
from builders.store import TRUCK, stamp
from rimekeep.stock.core.gs1 import sscc

R = 8.314462618
# Whole tens of minutes, as the sensor reports; an older end would make it silent.
STEP = timedelta(minutes=10)
NOW = datetime.fromtimestamp(0, UTC) + (datetime.now(UTC) - datetime.fromtimestamp(0, UTC)) // STEP * STEP
START = NOW - timedelta(days=10)
TRIP_FROM, TRIP_UNTIL = START + timedelta(days=6), START + timedelta(days=6, hours=9)
FLAVOUR = {
    "name": "flavour staling",
    "reference_c": 20.0,
    "reference_life_days": 9.0,
    "activation_kj_mol": 101.8,
    "source": "invented",
}
TAU_H = 20.0
TODAY = NOW.date()


def keg_air(at: datetime) -> float:
    """Air of the keg room: 4 °C, and one night without the compressor."""
    return 14.0 if TRIP_FROM <= at < TRIP_UNTIL else 4.0


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


def write_files(folder: Path) -> dict[str, Path]:
    """The store's opening files; semicolons and decimal commas in one of them, as spreadsheets write it."""
    units = []
    for number in range(8):
        lot, age, bay = (
            ("L-OLD", 9, f"K1-{number + 1:02d}") if number < 4 else ("L-NEW", 3, f"K2-{number - 3:02d}")
        )
        received = NOW - timedelta(days=age)
        units.append(f"{sscc(3, '9521234', number + 1)},{lot},KEG30,12,KEGS,{bay},{stamp(received)},4.0")
    content = {
        "zones": "code,name,kind,planned_c,slot_pitch_m,aisle_pitch_m,cross_aisle_offset_m\n"
        "KEGS,Keg room,store,4,1.4,4.2,2\nSTAGE,Staging,staging,12,,,\nDOCK,Dock,dock,14,,,\n",
        "products": "\ufeffsku;name;gtin;package;abv_pct;original_extract_p;alcohol_mass_pct;case_mass_kg;cases_per_layer;"
        "layers_per_pallet;pallet_tare_kg;footprint;carry_min_c;carry_max_c\n"
        "KEG30;Test pale, keg 30 L;;keg;5,2;12,4;4,1;41,5;6;2;25;1000x1200;1;6\n",
        "bays": "zone,code,aisle,slot,level,check_code\n"
        + "".join(f"KEGS,K{a}-{s:02d},{a},{s},0,{a}{s}\n" for a in (1, 2) for s in range(1, 9))
        + "STAGE,S1-01,1,1,0,7\n",
        "lots": "sku,lot,packaged_at,best_before_on,cases_made,released\n"
        f"KEG30,L-OLD,{stamp(NOW - timedelta(days=9, hours=2))},{TODAY + timedelta(days=120)},48,yes\n"
        f"KEG30,L-NEW,{stamp(NOW - timedelta(days=3, hours=2))},{TODAY + timedelta(days=126)},48,yes\n",
        "units": "sscc,lot,sku,cases,zone,bay,received_at,start_core_c\n" + "\n".join(units) + "\n",
        "sensors": "code,zone,interval_s,error_c,rank\nkegs-1,KEGS,600,0.3,1\n",
        "customers": "code,name,contact,address,min_life_days,no_backward_date,max_lots_per_line\n"
        "BAR,The Invented Bar,bar@example.com,Main Street,14,no,\nTRADE,Invented Wholesale,,,60,yes,2\n",
        "orders": "order,customer,ship_on,deliver_on,priority,line,sku,cases,min_life_days\n"
        f"SO-1,BAR,{TODAY},{TODAY},1,1,KEG30,17,\nSO-2,TRADE,{TODAY},{TODAY},0,1,KEG30,24,\n"
        f"SO-3,TRADE,{TODAY},{TODAY},0,1,KEG30,5,900\n",
    }
    paths = {}
    for kind, text in content.items():
        paths[kind] = folder / f"{kind}.csv"
        paths[kind].write_text(text, encoding="utf-8")
    return paths


def import_files(server: Process, folder: Path) -> None:
    """Bring the store in; what is brought twice changes nothing."""
    paths = write_files(folder)
    for kind, is_repeat in [*((kind, False) for kind in paths), ("units", True), ("orders", True)]:
        done = server.command("import", kind, str(paths[kind]), "--json", warm=kind != "zones" or is_repeat)
        assert done.returncode == 0, done.stdout + done.stderr
        report = json.loads(done.stdout)
        assert (report["created"] == 0) == is_repeat, report
    broken = folder / "broken.csv"
    broken.write_text(
        paths["units"].read_text() + f"{sscc(3, '9521234', 99)[:-1]}x,L-OLD,KEG30,-3,KEGS,,{stamp(NOW)},4\n"
    )
    refused = server.command("import", "units", str(broken), "--json")
    assert refused.returncode == 2
    assert {(f["line"], f["column"]) for f in json.loads(refused.stdout)["faults"]} >= {(10, "cases")}


def by_id(rows: list[dict[str, Any]], name: str, value: str) -> dict[str, Any]:
    return next(row for row in rows if row[name] == value)


def expected_use(received: datetime, until: datetime) -> float:
    """Life used by the keg's core under the known air, from an independent ODE solver."""
    k_ref = 1 / FLAVOUR["reference_life_days"]

    def slope(hours: float, state: list[float]) -> list[float]:
        core, _ = state
        air = air_at(received + timedelta(hours=hours))
        rate = k_ref * math.exp(-FLAVOUR["activation_kj_mol"] * 1e3 / R * (1 / (core + 273.15) - 1 / 293.15))
        return [(air - core) / TAU_H, rate / 24]

    def air_at(at: datetime) -> float:
        # Ten-minute readings joined by straight lines: the step becomes a ramp of one interval.
        step = timedelta(minutes=10)
        before = START + ((at - START) // step) * step
        share = (at - before) / step
        return keg_air(before) * (1 - share) + keg_air(before + step) * share

    hours = (until - received) / timedelta(hours=1)
    knots = [
        0.0,
        *sorted(
            {
                h
                for h in (
                    (t - received) / timedelta(hours=1)
                    for t in (
                        TRIP_FROM - timedelta(minutes=10),
                        TRIP_FROM,
                        TRIP_UNTIL - timedelta(minutes=10),
                        TRIP_UNTIL,
                    )
                )
                if 0 < h < hours
            }
        ),
        hours,
    ]
    state = [4.0, 0.0]
    for begin, end in itertools.pairwise(knots):
        state = list(solve_ivp(slope, (begin, end), state, rtol=1e-10, atol=1e-12).y[:, -1])
    return state[1]


def send_readings(api: Http, gateway: Http) -> None:
    """Ten days of readings, late, out of order and partly twice, as JSON and as SenML."""
    instants = [START + timedelta(minutes=10 * n) for n in range(10 * 144 + 1)]
    as_json = [{"sensor": "kegs-1", "at": stamp(at), "temp": keg_air(at), "unit": "Cel"} for at in instants]
    shuffled = as_json[700:] + as_json[:750]
    answer = gateway.made("/v1/readings", {"readings": shuffled})
    assert (answer["stored"], answer["repeated"], answer["refused"]) == (len(instants), 50, 0)
    pack = [{"bn": "kegs-1", "bu": "Cel", "bt": instants[5].timestamp(), "v": 4.0}]
    again = gateway.post(
        "/v1/readings", None, content=json.dumps(pack), headers={"Content-Type": "application/senml+json"}
    )
    assert again.json()["repeated"] == 1
    future = {
        "sensor": "kegs-1",
        "at": stamp(datetime.now(UTC) + timedelta(hours=1)),
        "temp": 4,
        "unit": "Cel",
    }
    bad = gateway.made("/v1/readings", {"readings": [future]})
    assert (bad["stored"], bad["refused"]) == (0, 1)
    assert (bad["faults"][0]["outcome"], bad["faults"][0]["field"]) == ("in the future", "readings[0].at")


def ask_for_the_cold(api: Http) -> tuple[dict[str, Any], dict[str, Any]]:
    """Profile and rule; returns the keg room and the product."""
    zone = by_id(api.get("/v1/zones")["items"], "code", "KEGS")
    product = by_id(api.get("/v1/products")["items"], "sku", "KEG30")
    api.made(
        f"/v1/products/{product['id']}/profiles",
        {
            "tau_h": TAU_H,
            "planned_c": 4,
            "freezing_minutes": 30,
            "routes": [FLAVOUR],
            "reason": "opening profile",
        },
    )
    api.made(
        "/v1/excursion-rules",
        {
            "zone_id": zone["id"],
            "name": "keg room warm",
            "side": "above",
            "limit_c": 8,
            "kind": "single",
            "allowed_s": 3600,
            "severity": "critical",
            "holds_stock": True,
        },
    )
    return zone, product


def check_excursion(api: Http, zone: dict[str, Any], receiver: Receiver, secret: str) -> None:
    """The compressor trip is one excursion with the four old pallets in it, and one signed alert."""
    api.made("/v1/excursions/check")
    api.made("/v1/excursions/check")
    found = api.get(f"/v1/excursions?zone_id={zone['id']}")["items"]
    assert len(found) == 1
    whole = api.get(f"/v1/excursions/{found[0]['id']}")
    assert whole["peak_c"] == pytest.approx(14.0)
    touched = {content["sscc"] for content in whole["touched"]}
    assert touched == {sscc(3, "9521234", number) for number in range(1, 5)}
    headers, body = receiver.wait_for("excursion.opened")
    # The reference library of Standard Webhooks raises when the signature is wrong.
    Webhook(secret).verify(body, headers)
    assert receiver.kinds().count("excursion.opened") == 1
    api.made(f"/v1/excursions/{found[0]['id']}/acknowledge", {"note": "compressor repaired"})
    for number in range(1, 5):
        unit = api.get(f"/v1/units/{sscc(3, '9521234', number)}")
        assert unit["qa_state"] == "held"
        api.made(f"/v1/units/{unit['sscc']}/release", {"reason": "half a day lost, tasted and good"})


def check_life(api: Http) -> None:
    """Life used by an old and a new pallet agrees with the ODE solver."""
    api.made("/v1/life/refresh", {})
    for number, age in ((1, 9), (5, 3)):
        life = api.get(f"/v1/units/{sscc(3, '9521234', number)}/life")
        as_of = datetime.fromisoformat(life["as_of_at"])
        (one,) = life["lives"]
        # The last reading holds from its time on.
        used = expected_use(NOW - timedelta(days=age), as_of)
        assert one["used"]["flavour staling"] == pytest.approx(used, rel=1e-6)
        assert one["limited_by"] == "flavour staling"
        assert one["curve"]


def allocate_and_pick(api: Http, picker: Http, check_codes: dict[str, str]) -> None:
    """First-expired first, a short line with its reason, every pick confirmed at the bay."""
    orders = {order["code"]: order for order in api.get(f"/v1/orders?ship_on={TODAY}")["items"]}
    wave = api.made("/v1/allocations", {"ship_on": str(TODAY)})
    assert (wave["wanted_cases"], wave["served_cases"], wave["bound_cases"]) == (46, 41, 41)
    lots = {line["order_code"]: {taken["lot_code"] for taken in line["taken"]} for line in wave["lines"]}
    # The old lot went through the warm night and ends first: it serves everybody it can.
    assert lots["SO-1"] | lots["SO-2"] == {"L-OLD"}
    short = next(line["short"] for line in wave["lines"] if line["order_code"] == "SO-3")
    assert (short["cases"], short["reason"]) == (5, "too_old")
    api.made("/v1/pick-lists", {"order_ids": [orders["SO-1"]["id"], orders["SO-2"]["id"]]})
    wrong_tried = False
    while task := picker.post("/v1/pick-lists/next").json():
        for pick in task["picks"]:
            body = {
                "scan": f"00{pick['sscc']}",
                "bay_check_code": check_codes[pick["bay_code"]],
                "cases": pick["cases"],
            }
            if not wrong_tried:
                wrong = {**body, "scan": sscc(3, "9521234", 8)}
                refused = picker.post(f"/v1/picks/{pick['id']}/confirm", wrong)
                assert refused.status_code == 409, refused.text
                assert refused.json()["type"].startswith("/problems/wrong-")
                wrong_tried = True
            key = f"pick-{pick['id']}"
            first = picker.made(f"/v1/picks/{pick['id']}/confirm", body, key=key)
            assert picker.made(f"/v1/picks/{pick['id']}/confirm", body, key=key) == first
    states = {order["code"]: order["state"] for order in api.get(f"/v1/orders?ship_on={TODAY}")["items"]}
    assert states["SO-1"] == states["SO-2"] == "picked"


def load_and_depart(api: Http) -> None:
    """A plan legal after every drop, loaded by scan in order, and away."""
    no_axles = {
        key: value for key, value in TRUCK.items() if key == "rows" or ("max" in key and "axle" not in key)
    }
    refused = api.post(
        "/v1/vehicles", {"code": "T0", "name": "No axles", "truck": no_axles | {"kind": "semi"}}
    )
    assert refused.status_code == 422
    assert any("truck" in fault["field"] for fault in refused.json()["errors"])
    api.made("/v1/vehicles", {"code": "T1", "name": "Truck 1", "truck": TRUCK})
    plan = api.made("/v1/load-plans", {"ship_on": str(TODAY)})
    assert (plan["status"], plan["lower_bound"], len(plan["trips"])) == ("optimal", 1, 1)
    (trip,) = plan["trips"]
    assert len(trip["axle_table"]) == 3
    for state in trip["axle_table"]:
        assert all(axle["load_kg"] <= axle["max_kg"] for axle in state["axles"])
    api.made(f"/v1/load-plans/{plan['id']}/confirm")
    first_drop = next(place["sscc"] for place in trip["places"] if place["drop"] == 1)
    early = api.post(f"/v1/trips/{trip['id']}/load", {"scan": first_drop})
    assert early.status_code == 409, early.text
    due = api.get(f"/v1/trips/{trip['id']}/next")["next"]
    while due:
        due = api.made(f"/v1/trips/{trip['id']}/load", {"scan": due[0]["sscc"]})["next"]
    sheet = api.client.get(f"/v1/trips/{trip['id']}/sheet").text
    assert "chock" in sheet.lower()
    api.made(f"/v1/trips/{trip['id']}/depart")


@pytest.mark.slow
def test_the_whole_job(empty_database: str, tmp_path: Path) -> None:
    with serving(empty_database, tmp_path) as server, receiving() as receiver, server.client() as api:
        assert server.token
        import_files(server, tmp_path)
        zone, product = ask_for_the_cold(api)
        hook = api.made(
            "/v1/subscriptions", {"url": receiver.url, "kinds": ["excursion.opened", "trip.departed"]}
        )
        gateway_token = api.made("/v1/devices", {"name": "gateway", "roles": ["gateway"]})["token"]
        picker_token = api.made("/v1/devices", {"name": "handheld", "roles": ["picker"]})["token"]
        with server.client(gateway_token) as gateway, server.client(picker_token) as picker:
            send_readings(api, gateway)
            check_excursion(api, zone, receiver, hook["secret"])
            check_life(api)
            bays = api.get("/v1/bays?limit=100")["items"]
            allocate_and_pick(api, picker, {bay["code"]: bay["check_code"] for bay in bays})
        load_and_depart(api)
        receiver.wait_for("trip.departed")
        old = by_id(api.get(f"/v1/lots?product_id={product['id']}")["items"], "code", "L-OLD")
        trace = api.get(f"/v1/lots/{old['id']}/trace")
        assert {name: cases for name, cases in trace["balance"].items() if cases} == {
            "made": 48, "at_site": 7, "departed": 41, "on_the_road": 41
        }  # fmt: skip
        assert {(left["customer"], left["order"]) for left in trace["departures"]} == {
            ("BAR", "SO-1"),
            ("TRADE", "SO-2"),
        }
        checked = server.command("check", "--json")
        assert (checked.returncode, json.loads(checked.stdout)["findings"]) == (0, [])
        page = api.client.get("/sign-in")
        assert page.status_code == 200
    with serving(empty_database, tmp_path, warm=True) as again:
        assert again.token == ""
        with again.client(server.token) as api:
            assert api.get("/v1/me")["roles"] == ["admin"]
