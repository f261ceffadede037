"""Readings over MQTT, through a real broker: stored once, each message answered, nothing refused in silence."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import select, text

from builders.api import Api
from builders.broker import Broker, Gateway, brokering, make_certificate
from builders.cold import make_sensor
from builders.grounds import Clock
from builders.stock import make_zone
from rimekeep.climate.listener import Listener
from rimekeep.climate.tables import Reading
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
AT = NOW - timedelta(hours=1)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker of this test's own."""
    folder = tmp_path / "broker"
    folder.mkdir()
    with brokering(folder) as running:
        yield running


@pytest.fixture
def site(api: Api, database: Database) -> Api:
    """A site with the sensor ``room2:air`` and the gateways gw-1 and gw-2."""
    with database.transaction() as session:
        zone = make_zone(session, NOW, api.callers["qa"])
        make_sensor(session, NOW, api.callers["qa"], zone, code="room2:air")
    for name in ("gw-1", "gw-2"):
        api.made("/v1/devices", {"name": name, "roles": ["gateway"]})
    return api


@contextmanager
def listening(database_url: str, broker: Broker, clock: Clock, **settings: Any) -> Iterator[Listener]:
    """Run the listener in a thread until the block ends."""
    chosen = load_settings(database_url=database_url, mqtt_url=broker.url(), **settings)
    database = Database(chosen)
    assert chosen.broker is not None
    listener = Listener(database, chosen.broker, clock)
    stopped = threading.Event()
    thread = threading.Thread(target=listener.run, args=(stopped,))
    thread.start()
    try:
        # What is published before the first subscription ever is nobody's.
        wait_until(lambda: listener.is_listening)
        yield listener
    finally:
        stopped.set()
        thread.join(120)
        database.dispose()
        assert not thread.is_alive(), "the listener does not stop"


@pytest.fixture
def listener(site: Api, database_url: str, broker: Broker, clock: Clock) -> Iterator[Listener]:
    """A listener on the site's database."""
    with listening(database_url, broker, clock) as running:
        yield running


def stored(database: Database) -> dict[datetime, float]:
    with database.transaction(readonly=True) as session:
        rows = session.execute(select(Reading.at_ms, Reading.temp_c)).all()
    return {datetime.fromtimestamp(at_ms / 1000, UTC): temp_c for at_ms, temp_c in rows}


def pack(
    at: datetime = AT, temp_c: float = 3.5, *, count: int = 1, name: str = "room2:air"
) -> list[dict[str, Any]]:
    """Readings a minute apart, as RFC 8428 writes them."""
    base = {"bn": name, "bt": at.timestamp(), "bu": "Cel", "v": temp_c}
    return [base, *({"t": 60 * number, "v": temp_c} for number in range(1, count))]


def test_what_is_published_is_stored_and_answered(
    listener: Listener, database: Database, broker: Broker
) -> None:
    with Gateway(broker, "gw-1") as gateway:
        answer = gateway.ask(pack(count=3))
    assert {name: answer[name] for name in ("state", "stored", "repeated", "refused", "faults")} == {
        "state": "taken", "stored": 3, "repeated": 0, "refused": 0, "faults": [],
    }  # fmt: skip
    assert answer["_topic"] == "rimekeep/1/NORTH/answers/gw-1"
    assert stored(database) == {AT + timedelta(minutes=minute): 3.5 for minute in range(3)}


def test_the_same_message_again_stores_nothing_again(
    listener: Listener, database: Database, broker: Broker
) -> None:
    with Gateway(broker, "gw-1") as gateway:
        assert gateway.ask(pack(count=3))["stored"] == 3
        again = gateway.ask(pack(count=3))
    assert (again["state"], again["stored"], again["repeated"]) == ("taken", 0, 3)
    assert len(stored(database)) == 3


def test_refused_readings_are_named_and_their_neighbours_kept(
    listener: Listener, database: Database, broker: Broker
) -> None:
    sent = [
        {"bn": "room2:", "bt": AT.timestamp(), "bu": "Cel", "n": "air", "v": 3.5},
        {"n": "nobody", "v": 4.0, "t": 1},
        {"n": "air", "v": 851.0, "t": 2},
        {"n": "air", "v": 3.6, "t": 60},
        {"n": "air", "v": 3.7, "t": 7 * 86_400},
    ]
    with Gateway(broker, "gw-1") as gateway:
        answer = gateway.ask(sent)
    assert (answer["state"], answer["stored"], answer["refused"]) == ("taken", 2, 3)
    assert [(fault["index"], fault["outcome"], fault["field"]) for fault in answer["faults"]] == [
        (1, "unknown sensor", "[1].n"),
        (2, "not a temperature", "[2].v"),
        (4, "in the future", "[4].t"),
    ]
    assert all(fault["detail"] and fault["mend"] for fault in answer["faults"])
    assert sorted(stored(database).values()) == [3.5, 3.6]
    # It counts when it has answered.
    wait_until(lambda: listener.counts.messages == 1)
    assert (listener.counts.stored, listener.counts.refused) == (2, 3)


def test_a_time_relative_to_arrival_is_refused(
    listener: Listener, database: Database, broker: Broker
) -> None:
    """RFC 8428, 4.5.3 counts small times from now; a message that waited, or comes again, has no one now."""
    with Gateway(broker, "gw-1") as gateway:
        answer = gateway.ask(
            [{"n": "room2:air", "u": "Cel", "v": 3.5}, {"n": "room2:air", "u": "Cel", "v": 3, "t": -60}]
        )
    assert [fault["outcome"] for fault in answer["faults"]] == ["not an instant"] * 2
    assert "1970" in answer["faults"][0]["mend"]
    assert not stored(database)


@pytest.mark.parametrize(
    ("payload", "code", "field"),
    [
        (b"", "invalid-input", "body"),
        (b"\xff\x00", "invalid-input", "body"),
        (b"[" * 50_000, "invalid-input", "body"),
        (b'{"readings": []}', "senml", "pack"),
        (b"[]", "senml", "pack"),
        (b'[{"n": "room2:air", "u": "Cel", "v": "3.5"}]', "senml", "[0].v"),
        (b'[{"n": "room2:air", "u": "Cel", "v": 1, "x_": 1}]', "senml", "[0].'x_'"),
        (b"[" + b'{"n": "room2:air", "v": 1},' * 10_001 + b'{"n": "a", "v": 1}]', "batch-too-large", "readings"),
        (b" " * 400_001, "message-too-large", "body"),
    ],
    ids=["empty", "not text", "deep", "other JSON", "no record", "text value", "unknown label", "many", "large"],
)  # fmt: skip
def test_what_cannot_be_used_is_answered_and_holds_up_nothing(
    site: Api, database: Database, database_url: str, broker: Broker, clock: Clock,
    payload: bytes, code: str, field: str,
) -> None:  # fmt: skip
    with (
        listening(database_url, broker, clock, max_body_bytes=400_000) as listener,
        Gateway(broker, "gw-1") as gateway,
    ):
        marks = [gateway.send(payload), gateway.send(pack())]
        refused, taken = (gateway.answer_to(mark) for mark in marks)
        assert (refused["state"], refused["code"], refused["faults"][0]["field"]) == ("refused", code, field)
        assert refused["faults"][0]["mend"]
        assert taken["stored"] == 1
        wait_until(lambda: listener.counts.messages == 2)
        assert (listener.counts.refused_messages, listener.counts.stored) == (1, 1)
    # Acknowledged for good: nothing of it comes again.
    with listening(database_url, broker, clock) as listener, Gateway(broker, "gw-1") as gateway:
        gateway.ask(pack(AT - timedelta(hours=1)))
        wait_until(lambda: listener.counts.messages == 1)


@pytest.mark.parametrize(
    ("place", "name"),
    [
        ("NORTH", "gw-9"),
        ("NORTH", "the picker"),
        ("NORTH", "off"),
        ("SOUTH", "gw-1"),
        ("NOWHERE", "gw-1"),
        ("NORTH", "gw%2D1"),
        ("NORTH", "%00"),
    ],
    ids=["unknown", "other role", "switched off", "other site", "no site", "encoded needlessly", "no name"],
)
def test_only_an_active_gateway_of_the_site_is_heard(
    site: Api, listener: Listener, database: Database, broker: Broker, place: str, name: str
) -> None:
    site.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})
    off = site.made("/v1/devices", {"name": "off", "roles": ["gateway"]})["principal"]["id"]
    site.made(f"/v1/principals/{off}/deactivate")
    with (
        Gateway(broker, name, site=place, user="any gateway") as stranger,
        Gateway(broker, "gw-1") as gateway,
    ):
        answer = stranger.ask(pack())
        assert gateway.ask(pack(AT - timedelta(hours=1)))["stored"] == 1
    assert answer["state"] == "refused"
    assert answer["code"] == ("topic" if "%" in name else "unknown-gateway")
    assert answer["faults"][0]["field"] == "topic.gateway"
    assert list(stored(database)) == [AT - timedelta(hours=1)]


def test_names_with_separators_have_a_topic_too(
    site: Api, listener: Listener, broker: Broker, database: Database
) -> None:
    token = site.made("/v1/sites", {"code": "N/2", "name": "Second store (invented)"})["token"]
    site.tokens["second"] = token
    second = site.as_("second")
    zone = second.made("/v1/zones", {"code": "Z", "name": "Zone", "kind": "store", "planned_c": 4})["id"]
    second.made("/v1/sensors", {"code": "far", "zone_id": zone, "interval_s": 600})
    second.made("/v1/devices", {"name": "gw 1+2 %öl", "roles": ["gateway"]})
    with Gateway(broker, "gw 1%2B2 %25öl", site="N%2F2", user="any gateway") as gateway:
        answer = gateway.ask(pack(name="far"))
    assert (answer["state"], answer["stored"]) == ("taken", 1)
    assert len(stored(database)) == 1


def test_the_broker_keeps_a_gateway_to_its_own_topic(
    listener: Listener, database: Database, broker: Broker
) -> None:
    with Gateway(broker, "gw-1") as gateway, Gateway(broker, "gw-2") as other:
        gateway.send(pack(temp_c=9.9), name="gw-2", qos=0)
        assert gateway.ask(pack(AT - timedelta(hours=1)))["stored"] == 1
        assert other.ask(pack(AT - timedelta(hours=2)))["stored"] == 1
    assert len(stored(database)) == 2
    assert 9.9 not in stored(database).values()


def test_an_answer_carries_the_gateway_s_own_mark(listener: Listener, broker: Broker) -> None:
    own = Properties(PacketTypes.PUBLISH)
    own.CorrelationData = b"\x00 7"
    own.ResponseTopic = "rimekeep/1/listener"
    with Gateway(broker, "gw-1") as gateway:
        answer = gateway.ask(pack(), properties=own)
    assert answer["_properties"].CorrelationData == b"\x00 7"
    assert answer["_topic"] == "rimekeep/1/NORTH/answers/gw-1"  # a response topic is not followed


def test_messages_of_quality_of_service_0_are_taken_too(
    listener: Listener, broker: Broker, database: Database
) -> None:
    with Gateway(broker, "gw-1") as gateway:
        assert gateway.ask(pack(), qos=0)["stored"] == 1


def test_what_was_sent_while_nobody_listened_is_taken_afterwards(
    site: Api, database: Database, database_url: str, broker: Broker, clock: Clock
) -> None:
    with listening(database_url, broker, clock), Gateway(broker, "gw-1") as gateway:
        gateway.ask(pack(AT - timedelta(hours=1)))
    with Gateway(broker, "gw-1") as gateway:
        marks = [gateway.send(pack(AT + timedelta(seconds=number))) for number in range(300)]
        gateway.flush()
        broker.stop()
        broker.start()
        with listening(database_url, broker, clock) as listener:
            answers = [gateway.answer_to(mark) for mark in marks]
            # The first listener may have been stopped between answer and acknowledgement: then one comes again.
            wait_until(lambda: listener.counts.messages >= 300)
    assert {answer["stored"] for answer in answers} == {1}
    assert len(stored(database)) == 301


def test_nothing_is_acknowledged_before_it_is_stored(
    site: Api, database: Database, database_url: str, broker: Broker, clock: Clock
) -> None:
    """With its table gone the listener waits, whether it is restarted meanwhile or not; then it stores."""
    with listening(database_url, broker, clock), Gateway(broker, "gw-1") as gateway:
        gateway.ask(pack(AT - timedelta(hours=1)))
        rename(database, "reading", "reading_away")
        marks = [gateway.send(pack(AT + timedelta(seconds=number))) for number in range(100)]
        assert gateway.state_of_listener("waiting for the database")["stored"] == 1
    with Gateway(broker, "gw-1") as gateway, listening(database_url, broker, clock) as listener:
        gateway.state_of_listener("waiting for the database")
        rename(database, "reading_away", "reading")
        answers = [gateway.answer_to(mark) for mark in marks]
        wait_until(lambda: listener.counts.messages >= 100)
    assert {answer["stored"] for answer in answers} == {1}
    assert len(stored(database)) == 101


def test_a_message_the_service_fails_at_holds_up_no_other(
    site: Api, listener: Listener, database: Database, broker: Broker
) -> None:
    """The database refuses one value, as no rule of ours foresees."""
    with database.transaction() as session:
        if database.settings.is_sqlite:
            session.execute(
                text(
                    "CREATE TRIGGER odd BEFORE INSERT ON reading WHEN NEW.temp_c = 6.5 "
                    "BEGIN SELECT RAISE(ABORT, 'odd'); END"
                )
            )
        else:
            session.execute(text("ALTER TABLE reading ADD CONSTRAINT odd CHECK (temp_c <> 6.5)"))
    with Gateway(broker, "gw-1") as gateway:
        marks = [gateway.send(pack(AT + timedelta(seconds=n), 6.5 if n == 5 else 3.5)) for n in range(10)]
        answers = [gateway.answer_to(mark) for mark in marks]
        wait_until(lambda: listener.counts.messages == 10)
    assert [answer["state"] for answer in answers] == ["taken"] * 5 + ["failed"] + ["taken"] * 4
    assert "again" in answers[5]["detail"]
    assert listener.counts.failed_messages == 1
    assert len(stored(database)) == 9


def test_everybody_can_see_whether_somebody_listens(
    site: Api, database_url: str, broker: Broker, clock: Clock
) -> None:
    with listening(database_url, broker, clock), Gateway(broker, "gw-1") as gateway:
        assert gateway.state_of_listener("listening")["at"] == NOW.isoformat()
    with Gateway(broker, "gw-1") as gateway:  # kept for those who come later
        gateway.state_of_listener("stopped")


def test_answers_the_broker_refuses_hold_up_nothing(
    site: Api, database: Database, database_url: str, tmp_path: Path, clock: Clock
) -> None:
    """The broker's access list forgets the answers: readings are taken, the failing is logged."""
    folder = tmp_path / "strict"
    folder.mkdir()
    access = (
        "user rimekeep\ntopic read rimekeep/1/+/readings/+\ntopic write rimekeep/1/listener\n"
        "user any gateway\ntopic readwrite rimekeep/1/#\n"
    )
    with (
        brokering(folder, access=access) as broker,
        listening(database_url, broker, clock) as listener,
        Gateway(broker, "gw-1", user="any gateway") as gateway,
    ):
        for number in range(20):
            gateway.send(pack(AT + timedelta(seconds=number)))
        wait_until(lambda: len(stored(database)) == 20)
        wait_until(lambda: listener.counts.messages >= 20)
        gateway.send(pack(AT + timedelta(hours=1)))
        wait_until(lambda: len(stored(database)) == 21)


def test_wrong_password_is_tried_again_without_haste(
    site: Api, database_url: str, broker: Broker, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    chosen = load_settings(database_url=database_url, mqtt_url=broker.url(password="wrong"))
    database, stopped = Database(chosen), threading.Event()
    assert chosen.broker is not None
    thread = threading.Thread(target=Listener(database, chosen.broker, clock).run, args=(stopped,))
    thread.start()

    def tries() -> list[logging.LogRecord]:
        return [record for record in caplog.records if "no connection" in record.getMessage()]

    wait_until(lambda: len(tries()) >= 3)
    stopped.set()
    thread.join(120)
    database.dispose()
    # The wait doubles from half a second on; a busy machine makes it longer, nothing makes it shorter.
    pauses_s = [later.created - earlier.created for earlier, later in pairwise(tries())]
    assert all(pause_s > 0.45 * 2**number for number, pause_s in enumerate(pauses_s)), pauses_s
    assert all("wrong" not in record.getMessage() for record in tries())


def test_speech_with_the_broker_can_be_encrypted(
    site: Api, database: Database, database_url: str, tmp_path: Path, clock: Clock
) -> None:
    folder = tmp_path / "secure"
    folder.mkdir()
    certificate = make_certificate(folder)
    with (
        brokering(folder, tls=certificate) as broker,
        listening(database_url, broker, clock, mqtt_ca_file=certificate[0]),
        Gateway(broker, "gw-1") as gateway,
    ):
        assert broker.url().startswith("mqtts://")
        assert gateway.ask(pack())["stored"] == 1


def rename(database: Database, old: str, new: str) -> None:
    with database.transaction() as session:
        session.execute(text(f"ALTER TABLE {old} RENAME TO {new}"))


def wait_until(done: Callable[[], bool], timeout_s: float = 120) -> None:
    deadline = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < deadline, "it did not come to that"
        time.sleep(0.02)
