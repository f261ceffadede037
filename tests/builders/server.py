"""The service as a process of its own, and a webhook receiver to hear it."""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx2

from builders.warm import Forked, run_warm

COMMAND = Path(sys.executable).parent / "rimekeep"


def free_port() -> int:
    """
    A port nobody listens on right now, and nobody gets by chance while its server is away.

    Below those the kernel hands out: otherwise a client, waiting for a killed server, may be given its very port.
    """
    while True:
        port = random.SystemRandom().randrange(10_000, 32_000)
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


@dataclass
class Process:
    """One running `rimekeep serve`."""

    url: str
    environment: dict[str, str]
    log: Path
    process: subprocess.Popen[bytes] | Forked
    is_warm: bool = False
    token: str = ""

    def client(self, token: str | None = None) -> Http:
        """A client with a token, the first admin's unless another is given."""
        return Http(self.url, token or self.token)

    def command(self, *arguments: str, warm: bool = True) -> subprocess.CompletedProcess[str]:
        """Run another command of the service on the same database; a cold one imports everything itself."""
        if warm:
            return run_warm(list(arguments), self.environment)
        return subprocess.run(
            [str(COMMAND), *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )

    def kill(self) -> None:
        """Kill it without a word."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(60)

    def start(self) -> None:
        """Start it again, at the same address, and wait until it is ready."""
        self.process = _started(self.environment, self.log, is_warm=self.is_warm)
        _wait_until_ready(self)


class Http:
    """HTTP to a real server; every POST gets a fresh idempotency key unless one is given."""

    def __init__(self, url: str, token: str) -> None:
        self.client = httpx2.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=120)

    def __enter__(self) -> Http:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def post(self, path: str, body: Any = None, *, key: str | None = None, **kwargs: Any) -> httpx2.Response:
        """POST a JSON body."""
        headers = {"Idempotency-Key": key or str(uuid4()), **kwargs.pop("headers", {})}
        return self.client.post(path, json=body, headers=headers, **kwargs)

    def made(self, path: str, body: Any = None, **kwargs: Any) -> Any:
        """POST something that must succeed; return its body."""
        response = self.post(path, body, **kwargs)
        assert response.status_code < 300, f"{path}: {response.status_code} {response.text}"
        return response.json()

    def get(self, path: str) -> Any:
        """GET something that must be there; return its body."""
        response = self.client.get(path)
        assert response.status_code == 200, f"{path}: {response.status_code} {response.text}"
        return response.json()


@contextmanager
def serving(database_url: str, folder: Path, *, warm: bool = False, **settings: str) -> Iterator[Process]:
    """Run `rimekeep serve` until the block ends; a warm one has imported everything already."""
    port = free_port()
    environment = {
        **os.environ,
        "RIMEKEEP_DATABASE_URL": database_url,
        "RIMEKEEP_PORT": str(port),
        "RIMEKEEP_WEBHOOK_ALLOW_PRIVATE": "true",
        "RIMEKEEP_DELIVER_EVERY_S": "0.3",
        **{f"RIMEKEEP_{name.upper()}": value for name, value in settings.items()},
    }
    log = folder / f"serve-{port}.log"
    process = _started(environment, log, is_warm=warm)
    running = Process(f"http://127.0.0.1:{port}", environment, log, process, warm)
    try:
        _wait_until_ready(running)
        lines = log.with_suffix(".out").read_text().split()
        running.token = next((word for word in lines if word.startswith("rk_")), "")
        yield running
    finally:
        if running.process.poll() is None:
            running.process.terminate()
            running.process.wait(60)


def _started(environment: dict[str, str], log: Path, *, is_warm: bool) -> subprocess.Popen[bytes] | Forked:
    out = log.with_suffix(".out")
    if is_warm:
        return Forked(["serve"], environment, out, log)
    with log.open("ab") as errors, out.open("ab") as output:
        return subprocess.Popen([str(COMMAND), "serve"], env=environment, stdout=output, stderr=errors)


def _wait_until_ready(running: Process) -> None:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        if running.process.poll() is not None:
            break
        try:
            if httpx2.get(f"{running.url}/readyz").status_code == 200:
                return
        except httpx2.TransportError:
            time.sleep(0.02)
    raise AssertionError(f"the server did not get ready:\n{running.log.read_text()}")


@dataclass
class Receiver:
    """Somebody else's webhook endpoint."""

    url: str
    heard: list[tuple[dict[str, str], bytes]] = field(default_factory=list)

    def kinds(self) -> list[str]:
        """Kinds of message heard, in order."""
        return [json.loads(body)["type"] for _, body in self.heard]

    def wait_for(self, kind: str, timeout_s: float = 120) -> tuple[dict[str, str], bytes]:
        """Return the first message of a kind, waiting for it."""
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            for headers, body in list(self.heard):
                if json.loads(body)["type"] == kind:
                    return headers, body
            time.sleep(0.05)
        raise AssertionError(f"no {kind} came; heard {self.kinds()}")


@contextmanager
def receiving(port: int = 0) -> Iterator[Receiver]:
    """Listen for webhooks on loopback until the block ends; at a free port unless one is given."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            receiver.heard.append(({name.lower(): value for name, value in self.headers.items()}, body))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    receiver = Receiver(f"http://127.0.0.1:{server.server_port}/hook")
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
