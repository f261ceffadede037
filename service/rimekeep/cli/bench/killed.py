"""A served process that can be killed and started again at the same address."""

import os
import signal
import socket
import subprocess
import sys
import time

import httpx2

READY_S = 180


class Killed:
    """`rimekeep serve` on a database, until the block ends."""

    def __init__(self, database_url: str) -> None:
        """Choose an address; nothing runs yet."""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self._port}"
        self._environment = {
            **os.environ,
            "RIMEKEEP_DATABASE_URL": database_url,
            "RIMEKEEP_LOG_LEVEL": "error",
        }
        self._process: subprocess.Popen[bytes]

    def __enter__(self) -> "Killed":
        """Start it."""
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop it in the ordinary way."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait(30)

    def kill_and_start(self) -> None:
        """Kill it without a word, and start it again."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(30)
        self._start()

    def _start(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "rimekeep.cli", "serve", "--port", str(self._port)],
            env=self._environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + READY_S
        while time.monotonic() < deadline and self._process.poll() is None:
            try:
                if httpx2.get(f"{self.url}/readyz").is_success:
                    return
            except httpx2.TransportError:
                pass
            time.sleep(0.1)
        raise RuntimeError(f"the server did not get ready; it ended with {self._process.poll()}")
