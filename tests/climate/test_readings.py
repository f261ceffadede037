"""Readings taken in: each answered for itself, none lost, none overwritten."""

from __future__ import annotations

import json
import random
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from builders.api import Api
from builders.cold import make_sensor, say, series, words
from builders.grounds import Clock
from builders.stock import make_zone
from rimekeep.climate import queries, usecases
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.errors import Invalid
from rimekeep.platform.csvfile import read_rows
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
AT = NOW - timedelta(hours=1)


@pytest.fixture
def zone(api: Api, database: Database) -> Zone:
    """A room with the sensor ``room2:air``."""
    with database.transaction() as session:
        made = make_zone(session, NOW, api.callers["qa"])
        make_sensor(session, NOW, api.callers["qa"], made, code="room2:air")
    return made


def stored(database: Database) -> dict[datetime, float]:
    with database.transaction(readonly=True) as session:
        rows = session.execute(select(Reading.at_ms, Reading.temp_c)).all()
    return {datetime.fromtimestamp(at_ms / 1000, UTC): temp_c for at_ms, temp_c in rows}


def item(at: datetime | str = AT, temp: Any = 3.5, **more: Any) -> dict[str, Any]:
    return {"sensor": "room2:air", "at": at if isinstance(at, str) else at.isoformat(), "temp": temp, **more}


def test_bad_readings_cost_their_neighbours_nothing(api: Api, zone: Zone, database: Database) -> None:
    good = [item(AT + timedelta(minutes=10 * number), 3.0 + number) for number in range(3)]
    bad: list[tuple[Any, str, str]] = [
        (item(NOW + timedelta(hours=3)), "in the future", "at"),
        (item("2026-03-16 05:00"), "not an instant", "at"),
        (item("yesterday"), "not an instant", "at"),
        (item("1970-01-01T00:00:00Z"), "not an instant", "at"),
        (item(temp="3.5"), "not a temperature", "temp"),
        (item(temp=True), "not a temperature", "temp"),
        (item(temp=None), "not a temperature", "temp"),
        (item(temp=float("nan")), "not a temperature", "temp"),
        (item(temp=float("inf")), "not a temperature", "temp"),
        (item(temp=10**400), "not a temperature", "temp"),
        (item(temp=-127), "not a temperature", "temp"),
        (item(unit="X"), "unknown unit", "unit"),
        (item(unit=7), "unknown unit", "unit"),
        ({**item(), "sensor": "nobody"}, "unknown sensor", "sensor"),
        ({**item(), "sensor": 5}, "unknown sensor", "sensor"),
        ({**item(), "sensor": "a\x00b"}, "unknown sensor", "sensor"),
        (item(humidity=3), "not a reading", "humidity"),
        ([1, 2], "not a reading", ""),
    ]
    batch = [good[0], *(reading for reading, _, _ in bad), *good[1:]]
    body = json.dumps({"readings": batch})
    response = api.as_("gateway").request(
        "POST", "/v1/readings", content=body, headers={"Content-Type": "application/json"}
    )
    answer = response.json()
    assert response.status_code == 200, answer
    assert words(answer, len(batch)) == ["held", *(word for _, word, _ in bad), "held", "held"]
    assert (answer["stored"], answer["refused"]) == (3, len(bad))
    for place, (fault, (_, word, field)) in enumerate(zip(answer["faults"], bad, strict=True), 1):
        assert (fault["index"], fault["outcome"]) == (place, word)
        assert fault["field"] == f"readings[{place}]" + (f".{field}" if field else "")
        assert fault["detail"]
        assert fault["mend"]
    assert sorted(stored(database).values()) == [3.0, 4.0, 5.0]


def test_units_are_converted(api: Api, zone: Zone, database: Database) -> None:
    # NIST SP 811: 32 °F and 273.15 K are 0 °C.
    sent = [
        item(AT, 32, unit="F"),
        item(AT + timedelta(minutes=1), 273.15, unit="K"),
        item(AT + timedelta(minutes=2), 0),
    ]
    api.as_("gateway").made("/v1/readings", {"readings": sent})
    assert set(stored(database).values()) == {0.0}


def test_offsets_are_honoured(api: Api, zone: Zone, database: Database) -> None:
    api.as_("gateway").made("/v1/readings", {"readings": [item("2026-03-16T06:00:00+01:00")]})
    assert list(stored(database)) == [datetime(2026, 3, 16, 5, 0, tzinfo=UTC)]


def test_repeat_changes_nothing_and_another_value_is_refused(
    api: Api, zone: Zone, database: Database
) -> None:
    gateway = api.as_("gateway")
    first = gateway.made("/v1/readings", {"readings": [item(temp=3.5), item(temp=3.5), item(temp=4)]})
    assert words(first, 3) == ["held", "held", "differs"]
    assert (first["stored"], first["repeated"]) == (1, 1)
    again = gateway.made(
        "/v1/readings", {"readings": [item(temp=4.0), item(temp=3.5), item(AT - timedelta(minutes=10))]}
    )
    assert words(again, 3) == ["differs", "held", "held"]
    assert (again["stored"], again["repeated"]) == (1, 1)
    assert stored(database) == {AT: 3.5, AT - timedelta(minutes=10): 3.5}


def test_answer_is_the_same_when_the_gateway_repeats_its_key(api: Api, zone: Zone) -> None:
    gateway, body = api.as_("gateway"), {"readings": [item()]}
    first = gateway.post("/v1/readings", body, key="one")
    second = gateway.post("/v1/readings", body, key="one")
    assert (second.json(), second.headers["Idempotency-Replayed"]) == (first.json(), "true")


def test_order_of_arrival_leaves_no_trace(api: Api, zone: Zone, database: Database) -> None:
    said = series("room2:air", AT - timedelta(hours=30), AT, lambda hours: 3 + (hours % 7) / 10)
    shuffled = said * 2
    random.Random(5).shuffle(shuffled)
    caller = api.callers["qa"]
    words = []
    for start in range(0, len(shuffled), 50):
        with database.transaction() as session:
            words += usecases.take_readings(session, NOW, caller.site_id, shuffled[start : start + 50])
    assert sum(outcome.word == "stored" for outcome in words) == len(said)
    assert sum(outcome.word == "repeated" for outcome in words) == len(said)
    assert stored(database) == {at: temp_c for _, at, temp_c in said}
    with database.transaction(readonly=True) as session:
        assert session.scalar(select(Sensor.last_at_ms)) == AT.timestamp() * 1000


def test_gateways_that_send_the_same_at_once_store_it_once(api: Api, zone: Zone, database: Database) -> None:
    said = series("room2:air", AT - timedelta(hours=8), AT, 3.0)
    site_id = api.callers["gateway"].site_id

    def send(_number: int) -> list[str]:
        with database.transaction() as session:
            return [outcome.word for outcome in usecases.take_readings(session, NOW, site_id, said)]

    with ThreadPoolExecutor(6) as pool:
        words = [word for answer in pool.map(send, range(6)) for word in answer]
    assert (words.count("stored"), words.count("repeated")) == (len(said), 5 * len(said))
    assert len(stored(database)) == len(said)


def test_batch_too_large_is_refused_whole(api: Api, zone: Zone, database: Database) -> None:
    sent = [item(AT - timedelta(seconds=number)) for number in range(10_001)]
    problem = api.as_("gateway").refused("/v1/readings", {"readings": sent}, 422, "batch-too-large")
    assert "10000" in problem["errors"][0]["mend"]
    pack = [{"n": "room2:air", "u": "Cel", "v": 3, "t": -number} for number in range(10_001)]
    response = api.as_("gateway").post(
        "/v1/readings", pack, headers={"Content-Type": "application/senml+json"}
    )
    assert response.status_code == 422
    assert not stored(database)


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[]", b"{}", b'{"readings": 3}', b'{"readings": [], "more": 1}', b"\xff", b"[" * 100_000],
)
def test_body_that_is_no_batch_is_refused_with_the_mend(api: Api, zone: Zone, body: bytes) -> None:
    response = api.as_("gateway").request("POST", "/v1/readings", content=body)
    assert (response.status_code, response.json()["type"]) == (422, "/problems/invalid-input")
    assert response.json()["errors"][0]["mend"]


def test_senml_pack_is_taken_and_other_units_are_refused(api: Api, zone: Zone, database: Database) -> None:
    # RFC 8428: base name, base time and base unit hold for the records after them; small times are relative to now.
    pack = [
        {"bn": "room2:", "bt": AT.timestamp(), "bu": "Cel", "n": "air", "v": 3.5},
        {"n": "air", "t": 60, "u": "K", "v": 276.15},
        {"n": "humidity", "u": "%RH", "v": 80},
        {"n": "nobody", "v": 4.0},
    ]
    response = api.as_("gateway").post(
        "/v1/readings", pack, headers={"Content-Type": "application/senml+json"}
    )
    answer = response.json()
    assert words(answer, 4) == ["held", "held", "unknown unit", "unknown sensor"]
    assert [fault["field"] for fault in answer["faults"]] == ["[2].u", "[3].n"]
    assert stored(database) == {AT: 3.5, AT + timedelta(seconds=60): pytest.approx(3.0)}


@pytest.mark.parametrize(
    ("pack", "field"),
    [
        ([{"bn": "room2:", "n": "air", "u": "Cel", "v": 3}, {"n": "air", "v": "3"}], "[1].v"),
        ([{"n": "room2:air", "u": "Cel", "v": 3, "must_": 1}], "[0].'must_'"),
        ({"n": "room2:air"}, "pack"),
        ([], "pack"),
    ],
)
def test_malformed_senml_stores_nothing(
    api: Api, zone: Zone, database: Database, pack: Any, field: str
) -> None:
    response = api.as_("gateway").post(
        "/v1/readings", pack, headers={"Content-Type": "application/senml+json"}
    )
    assert (response.status_code, response.json()["type"]) == (422, "/problems/senml")
    assert response.json()["errors"][0]["field"] == field
    assert not stored(database)


def test_switched_off_sensor_is_not_heard_and_its_past_stays(
    api: Api, zone: Zone, database: Database
) -> None:
    gateway = api.as_("gateway")
    gateway.made("/v1/readings", {"readings": [item()]})
    key = api.ok("GET", "/v1/sensors")["items"][0]["id"]
    assert not api.as_("qa").made(f"/v1/sensors/{key}/switch-off", {"reason": "fell off the wall"})[
        "is_active"
    ]
    api.as_("qa").refused(f"/v1/sensors/{key}/switch-off", {"reason": "again"}, 409, "sensor-off")
    assert words(gateway.made("/v1/readings", {"readings": [item(NOW)]}), 1) == ["unknown sensor"]
    assert list(stored(database)) == [AT]


def test_readings_of_another_site_are_unknown(api: Api, zone: Zone) -> None:
    other = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    api.tokens["other"] = other
    sent = api.as_("other").made("/v1/readings", {"readings": [item()]})
    assert words(sent, 1) == ["unknown sensor"]
    assert api.as_("other").get(f"/v1/zones/{zone.id}/air").status_code == 404


def test_air_of_a_room_is_shown_in_steps_with_its_gaps(api: Api, zone: Zone, database: Database) -> None:
    start = NOW - timedelta(hours=4)
    with database.transaction() as session:
        site_id = api.callers["qa"].site_id
        say(session, NOW, site_id, series("room2:air", start, start + timedelta(hours=1), 3.0))
        say(session, NOW, site_id, series("room2:air", start + timedelta(hours=3), NOW, 5.0))
    shown = api.ok("GET", f"/v1/zones/{zone.id}/air", params={"from": start.isoformat(), "step_s": 3600})
    assert [step["mean_c"] for step in shown["steps"]] == pytest.approx([3.0, 3.5, 4.5, 5.0])
    assert [step["bridged_s"] for step in shown["steps"]] == [0, 3600, 3600, 0]
    assert shown["bridged"] == [{"from_at": "2026-03-16T03:00:00Z", "until_at": "2026-03-16T05:00:00Z"}]
    assert shown["sensors"] == ["room2:air"]


def test_window_between_two_readings_still_has_air(api: Api, zone: Zone, database: Database) -> None:
    with database.transaction() as session:
        site_id = api.callers["qa"].site_id
        say(session, NOW, site_id, [("room2:air", AT, 2.0), ("room2:air", AT + timedelta(minutes=20), 4.0)])
        air = queries.zone_air(
            session, site_id, zone.id, AT + timedelta(minutes=5), AT + timedelta(minutes=15)
        )
    assert air.temp_c.tolist() == pytest.approx([2.5, 3.5])


@pytest.mark.parametrize(
    ("params", "field"),
    [
        ({"from": "2026-03-16T05:00:00Z", "to": "2026-03-16T04:00:00Z"}, "from"),
        ({"from": "2020-01-01T00:00:00Z"}, "step_s"),
        ({"to": "0001-01-01T00:00:00Z"}, "from"),
        ({"from": "0001-01-01T00:00:00Z", "step_s": 604800}, "from"),
        ({"from": "0001-01-01T00:00:00+14:00"}, "from"),
        ({"step_s": 0}, "step_s"),
        ({"from": "today"}, "from"),
    ],
)
def test_air_asked_for_wrongly_names_the_parameter(
    api: Api, zone: Zone, params: dict[str, Any], field: str
) -> None:
    response = api.get(f"/v1/zones/{zone.id}/air", params=params)
    assert response.status_code == 422
    assert response.json()["errors"][0]["field"] == field


def test_air_now_prefers_a_sensor_that_talks(api: Api, zone: Zone, database: Database, clock: Clock) -> None:
    with database.transaction() as session:
        site_id = api.callers["qa"].site_id
        make_sensor(session, NOW, api.callers["qa"], zone, code="spare", rank=2)
        say(session, NOW, site_id, [("room2:air", AT, 2.0), ("spare", NOW - timedelta(minutes=5), 4.0)])
    shown = api.ok("GET", "/v1/air")["items"][0]
    assert (shown["sensor_code"], shown["temp_c"], shown["age_s"], shown["is_stale"]) == (
        "spare",
        4.0,
        300,
        False,
    )
    clock.now = NOW + timedelta(hours=2)
    assert api.ok("GET", "/v1/air")["items"][0]["is_stale"]


def test_sensors_are_registered_once_and_checked(api: Api, zone: Zone) -> None:
    qa = api.as_("qa")
    body = {"code": "dock-1", "zone_id": zone.id, "interval_s": 300}
    made = qa.made("/v1/sensors", body)
    assert (made["last_at"], made["rank"]) == (None, 1)
    qa.refused("/v1/sensors", body, 409, "sensor-exists")
    qa.refused("/v1/sensors", {**body, "code": "x", "zone_id": 10**6}, 404, "zone-not-found")
    for wrong in ({"code": "a b"}, {"interval_s": 0}, {"error_c": -1}, {"rank": 0}):
        problem = qa.refused("/v1/sensors", {**body, **wrong}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == next(iter(wrong))
    assert api.as_("picker").post("/v1/sensors", body).status_code == 403
    assert api.as_("picker").post("/v1/readings", {"readings": []}).status_code == 403


def test_dew_point_tells_wet_cartons(api: Api) -> None:
    # Worked value of WMO-No. 8's Magnus form: 25 °C at 60 % has its dew point at 16.69 °C.
    shown = api.ok("GET", "/v1/dew-point", params={"air_c": 25, "relative_humidity_pct": 60, "surface_c": 4})
    assert shown == {"dew_point_c": 16.693, "condenses": True}


def test_sensor_file_is_safe_to_run_twice(api: Api, zone: Zone, database: Database) -> None:
    file = f"code,zone,interval_s,rank\nroom2:air,{zone.code},600,1\nb-1,{zone.code},300,2\nb-2,nowhere,300,1\nb 3,{zone.code},300,1\n"
    for created in (1, 0):
        with database.transaction() as session:
            rows = read_rows(file.encode(), usecases.SENSOR_COLUMNS)
            report = usecases.import_sensors(session, NOW, api.callers["qa"], rows, lambda done, total: None)
        assert (report.created, report.unchanged) == (created, 2 - created)
        assert [(fault.line, fault.column) for fault in report.faults] == [(4, "zone"), (5, "code")]
    with database.transaction() as session:
        rows = read_rows(file.replace("300,2", "900,2").encode(), usecases.SENSOR_COLUMNS)
        report = usecases.import_sensors(session, NOW, api.callers["qa"], rows, lambda done, total: None)
    assert (report.faults[0].line, report.faults[0].column) == (3, "interval_s")


def test_reading_file_takes_one_temperature_a_line(api: Api, zone: Zone, database: Database) -> None:
    file = (
        "sensor;at;temp_f;temp_c\n"
        "room2:air;2026-03-16T05:00:00Z;32;\n"
        "room2:air;2026-03-16T05:10:00Z;;3,5\n"
        "room2:air;2026-03-16T05:10:00Z;;3,5\n"
        "room2:air;2026-03-16T05:20:00Z;;\n"
        "room2:air;2026-03-16T05:30:00Z;32;0\n"
        "room2:air;2027-03-16T05:30:00Z;;0\n"
        "nobody;2026-03-16T05:30:00Z;;0\n"
        "room2:air;2026-03-16T05:40:00Z;;850\n"
    )
    seen: list[tuple[int, int]] = []
    with database.transaction() as session:
        rows = read_rows(file.encode(), usecases.READING_COLUMNS)
        report = usecases.import_readings(
            session, NOW, api.callers["qa"], rows, lambda done, total: seen.append((done, total))
        )
    assert (report.created, report.unchanged) == (2, 1)
    found = sorted((fault.line, fault.column) for fault in report.faults)
    assert found == [(5, "temp_c"), (6, "temp_f"), (7, "at"), (8, "sensor"), (9, "temp_c")]
    assert seen == [(8, 8)]
    assert sorted(stored(database).values()) == [0.0, 3.5]


def test_too_many_at_once_is_refused_below_http_too(api: Api, zone: Zone, database: Database) -> None:
    with database.transaction() as session:
        with pytest.raises(Invalid, match="10001"):
            usecases.take_readings(session, NOW, api.callers["qa"].site_id, [("room2:air", AT, 3.0)] * 10_001)
        assert session.scalar(select(func.count()).select_from(Reading)) == 0
