"""An MQTT broker of the tests' own, as a real process, and gateways that speak to it; all of it invented."""

from __future__ import annotations

import hashlib
import json
import os
import pwd
import queue
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from builders.server import free_port

PASSWORD = "invented 50% öl/@ßword?#"  # signs that an address must escape
SERVICE = "rimekeep"
NEVER = 0xFFFFFFFF  # a session that does not expire (MQTT 5.0, 3.1.2.11.2)


def find_program(name: str) -> str:
    """Return a program of the broker; Debian keeps the broker itself outside a plain user's PATH."""
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if found is None:
        raise RuntimeError(f"{name} is not installed; `make test` installs it on Debian (see .ci/broker)")
    return found


@dataclass
class Broker:
    """A running broker: users with passwords, an access list, sessions kept in a file."""

    folder: Path
    port: int
    extra: str = ""
    tls: tuple[Path, Path] | None = None
    process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    @property
    def log(self) -> Path:
        """Return what the broker wrote."""
        return self.folder / "broker.log"

    def url(self, user: str = SERVICE, password: str = PASSWORD) -> str:
        """Return its address for the service."""
        scheme = "mqtts" if self.tls else "mqtt"
        return f"{scheme}://{quote(user, safe='')}:{quote(password, safe='')}@127.0.0.1:{self.port}"

    def prepare(self, users: list[str], access: str) -> None:
        """Write its configuration, passwords and access list."""
        passwords = self.folder / "passwords"
        passwords.write_text("".join(f"{user}:{PASSWORD}\n" for user in users), encoding="utf-8")
        subprocess.run([find_program("mosquitto_passwd"), "-U", str(passwords)], check=True, timeout=60)
        (self.folder / "access").write_text(access, encoding="utf-8")
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"user {pwd.getpwuid(os.geteuid()).pw_name}",
            "allow_anonymous false",
            f"password_file {passwords}",
            f"acl_file {self.folder / 'access'}",
            "persistence true",
            f"persistence_location {self.folder}/",
            "max_queued_messages 0",
            "max_packet_size 4000000",
            "log_type error",
            "log_type warning",
            "log_type notice",
            self.extra,
        ]
        if self.tls:
            lines += [f"certfile {self.tls[0]}", f"keyfile {self.tls[1]}"]
        (self.folder / "broker.conf").write_text("\n".join(lines) + "\n", encoding="utf-8")

    def start(self) -> None:
        """Start it, for the first time or again, and wait until it listens."""
        command = [find_program("mosquitto"), "-c", str(self.folder / "broker.conf")]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and self.process.poll() is None:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise AssertionError(f"the broker did not start:\n{self.log.read_text()}")

    def stop(self) -> None:
        """Stop it as its operator would: it keeps its sessions and what waits in them."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(60)
            self.process = None


ACCESS = f"""
user {SERVICE}
topic read rimekeep/1/+/readings/+
topic write rimekeep/1/+/answers/+
topic write rimekeep/1/listener
user any gateway
topic readwrite rimekeep/1/#
user gw-1
topic read rimekeep/1/listener
pattern write rimekeep/1/NORTH/readings/%u
pattern read rimekeep/1/NORTH/answers/%u
"""


@contextmanager
def brokering(
    folder: Path,
    *,
    users: tuple[str, ...] = (SERVICE, "any gateway", "gw-1", "gw-2"),
    access: str = ACCESS,
    extra: str = "",
    tls: tuple[Path, Path] | None = None,
) -> Iterator[Broker]:
    """Run a broker until the block ends."""
    broker = Broker(folder, free_port(), extra, tls)
    broker.prepare(list(users), access)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


class Gateway:
    """A gateway: publishes packs with quality of service 1 and hears the answers to them."""

    def __init__(self, broker: Broker, name: str, *, site: str = "NORTH", user: str | None = None) -> None:
        self.base, self.name = f"rimekeep/1/{site}", name
        self.published: set[int] = set()
        self.answers: queue.Queue[tuple[str, dict[str, Any], Properties | None]] = queue.Queue()
        self.answered: dict[str, list[dict[str, Any]]] = {}
        self.states: list[dict[str, Any]] = []
        self.is_ready = threading.Event()
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"{site}-{name}", protocol=paho.MQTTv5
        )
        self.client.username_pw_set(user or name, PASSWORD)
        if broker.tls:
            self.client.tls_set(ca_certs=str(broker.tls[0]))
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._subscribe
        self.client.on_subscribe = lambda *_: self.is_ready.set()
        self.client.on_message = self._hear
        self.client.on_publish = lambda _client, _data, mid, *_: self.published.add(mid)
        lasting = Properties(PacketTypes.CONNECT)
        lasting.SessionExpiryInterval = NEVER
        # Some brokers do not carry a session over their restart that was once begun clean.
        self.client.connect("127.0.0.1", broker.port, clean_start=False, properties=lasting)
        self.client.loop_start()
        assert self.is_ready.wait(60), f"{name} did not get through to the broker:\n{broker.log.read_text()}"

    def __enter__(self) -> Gateway:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _subscribe(self, *_: object) -> None:
        self.client.subscribe([(f"{self.base}/answers/{self.name}", 1), ("rimekeep/1/listener", 1)])

    def _hear(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        self.answers.put((message.topic, json.loads(message.payload), message.properties))

    def send(
        self, pack: object, *, name: str | None = None, qos: int = 1, properties: Properties | None = None
    ) -> str:
        """Publish a pack, or bytes as they are; return the mark its answer will carry."""
        payload = pack if isinstance(pack, bytes) else json.dumps(pack).encode()
        topic = f"{self.base}/readings/{name or self.name}"
        self.client.publish(topic, payload, qos, properties=properties)
        return hashlib.sha256(payload).hexdigest()

    def flush(self, timeout_s: float = 120) -> None:
        """Wait until the broker has acknowledged everything sent."""
        deadline = time.monotonic() + timeout_s
        while self.client._out_messages:
            assert time.monotonic() < deadline, "the broker does not acknowledge"
            time.sleep(0.01)

    def ask(self, pack: object, **how: Any) -> Mapping[str, Any]:
        """Publish a pack and wait for what became of it."""
        return self.answer_to(self.send(pack, **how))

    def answer_to(self, mark: str, timeout_s: float = 120) -> dict[str, Any]:
        """Wait for the answer to a message, the next one if there are several."""
        deadline = time.monotonic() + timeout_s
        while not self.answered.get(mark):
            left_s = deadline - time.monotonic()
            try:
                topic, told, properties = self.answers.get(timeout=max(0.0, left_s))
            except queue.Empty:
                raise AssertionError(f"no answer to {mark}; others: {list(self.answered)}") from None
            if topic.endswith("/listener"):
                self.states.append(told)
                continue
            told["_topic"], told["_properties"] = topic, properties
            self.answered.setdefault(told["message"], []).append(told)
        return self.answered[mark].pop(0)

    def state_of_listener(self, state: str, timeout_s: float = 120) -> dict[str, Any]:
        """Wait until the listener is said to be in a state; return what it said then."""
        deadline = time.monotonic() + timeout_s
        while not any(told["state"] == state for told in self.states):
            try:
                topic, told, _ = self.answers.get(timeout=max(0.0, deadline - time.monotonic()))
            except queue.Empty:
                raise AssertionError(f"the listener is not {state}; heard {self.states}") from None
            if topic.endswith("/listener"):
                self.states.append(told)
            else:
                self.answered.setdefault(told["message"], []).append(told)
        return self.states[-1]


class Wire:
    """A stretch of network between a client and the broker, that can be cut or go dead."""

    def __init__(self, port: int) -> None:
        self._to, self.deaf = port, 0
        self._ends: list[socket.socket] = []
        self._dead: list[socket.socket] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self.connections = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def __enter__(self) -> Wire:
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._ends += self._dead
        self.cut()

    def cut(self) -> None:
        """Cut what is connected now; who connects afterwards gets through."""
        ends, self._ends = self._ends, []
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def die(self) -> None:
        """Carry nothing any more, and tell nobody; who connects afterwards gets through."""
        self._dead += self._ends
        self._ends = []
        self.deaf += 1

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
                far = socket.create_connection(("127.0.0.1", self._to), 5)
            except OSError:
                return
            self.connections += 1
            self._ends += [near, far]
            for source, target in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(source, target, self.deaf), daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket, deaf: int) -> None:
        with suppress(OSError):
            while piece := source.recv(65_536):
                if self.deaf != deaf:
                    continue
                target.sendall(piece)
            target.shutdown(socket.SHUT_RDWR)


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate for loopback that signs itself; return it and its key."""
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    subprocess.run(
        [find_program("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", str(key), "-out", str(certificate), "-days", "2", "-subj", "/CN=invented broker",
         "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    return certificate, key
