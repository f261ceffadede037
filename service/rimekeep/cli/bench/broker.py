"""Readings through an MQTT broker: messages pile up there; then, the time until the last is stored."""

import json
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from rimekeep.cli.bench.ground import Ground
from rimekeep.climate.core.topics import Sender, readings_topic
from rimekeep.climate.listener import Listener
from rimekeep.climate.usecases import register_sensor
from rimekeep.errors import Invalid
from rimekeep.platform.broker import BrokerAddress
from rimekeep.stock.usecases import register_zone

SENSORS = 10
SITE, GATEWAY = "BENCH", "gateway"
WITHIN_S = 120


def is_possible() -> bool:
    """Tell whether a broker's program is installed here."""
    return _program() is not None


def measure(place: Ground, *, readings: int, in_one: int) -> tuple[float, str]:
    """Return readings a second, and how it was measured; a message holds readings of one sensor."""
    with place.database.transaction() as session:
        zone = register_zone(
            session, place.now, place.caller, code=f"M{in_one}", name="Zone", kind="store", planned_c=4.0
        )
        for number in range(SENSORS):
            code = f"m{in_one}-{number}"
            register_sensor(session, place.now, place.caller, code=code, zone_id=zone.id, interval_s=600)
    first_s = int(place.now.timestamp()) - (readings // SENSORS + in_one) * 600
    payloads = [
        _pack(f"m{in_one}-{number % SENSORS}", first_s + number // SENSORS * in_one * 600, in_one)
        for number in range(readings // in_one)
    ]
    with _broker() as port:
        address = BrokerAddress("127.0.0.1", port, False, None, None)
        with _listening(place, address) as listener:
            _wait_until(lambda: listener.is_listening)
        _publish(port, readings_topic(place.database.settings.mqtt_root, Sender(SITE, GATEWAY)), payloads)
        begun = time.perf_counter()
        with _listening(place, address) as listener:
            _wait_until(lambda: listener.counts.messages >= len(payloads))
            taken_s = time.perf_counter() - begun
            stored = listener.counts.stored
    if stored != readings:
        raise RuntimeError(f"{stored} of {readings} readings were stored")
    rate = readings / taken_s
    return (
        rate,
        f"{len(payloads)} messages of {in_one} readings that waited at the broker, in {taken_s:.2f} s",
    )


def _pack(sensor: str, first_s: int, count: int) -> bytes:
    start = {"bn": sensor, "bt": first_s, "bu": "Cel", "v": 4.0}
    return json.dumps([start, *({"t": 600 * n, "v": 4.0 + n % 7 / 10} for n in range(1, count))]).encode()


def _publish(port: int, topic: str, payloads: list[bytes]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = [client.publish(topic, payload, 1) for payload in payloads]
    for one in sent:
        one.wait_for_publish(WITHIN_S)
    client.disconnect()
    client.loop_stop()


@contextmanager
def _listening(place: Ground, address: BrokerAddress) -> Iterator[Listener]:
    listener = Listener(place.database, address, lambda: datetime.now(UTC))
    stopped = threading.Event()
    thread = threading.Thread(target=listener.run, args=(stopped,), daemon=True)
    thread.start()
    try:
        yield listener
    finally:
        stopped.set()
        thread.join(30)


@contextmanager
def _broker() -> Iterator[int]:
    program = _program()
    if program is None:
        raise Invalid("bench-broker", "The mosquitto broker is not installed.")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    with tempfile.TemporaryDirectory(prefix="rimekeep-broker-") as folder:
        lines = [
            f"listener {port} 127.0.0.1",
            f"user {pwd.getpwuid(os.geteuid()).pw_name}",
            "allow_anonymous true",
            "persistence false",
            "max_queued_messages 0",
        ]
        configuration = Path(folder) / "broker.conf"
        configuration.write_text("\n".join(lines) + "\n", encoding="utf-8")
        process = subprocess.Popen(
            [program, "-c", str(configuration)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            _wait_until(lambda: _listens(port))
            yield port
        finally:
            process.terminate()
            process.wait(20)


def _listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


def _program() -> str | None:
    return shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def _wait_until(done: Callable[[], bool]) -> None:
    deadline = time.monotonic() + WITHIN_S
    while not done():
        if time.monotonic() > deadline:
            raise RuntimeError("the broker or the listener did not come to it in time")
        time.sleep(0.005)
