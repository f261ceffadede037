"""Many HTTP clients at once in one thread, so that asking takes next to nothing from what answers."""

import selectors
import socket
import time
from collections import deque
from collections.abc import Sequence
from urllib.parse import urlsplit


class _Client:
    """One connection that is kept, and what it still has to ask."""

    def __init__(self, address: tuple[str, int], requests: Sequence[bytes]) -> None:
        self.left = deque(requests)
        self.socket = socket.create_connection(address, timeout=60)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.begun = 0.0
        self._heard = b""

    def ask(self) -> None:
        self.begun = time.perf_counter()
        self.socket.sendall(self.left.popleft())

    def hear(self) -> bytes | None:
        """Read on; return the answer's body once it is whole."""
        part = self.socket.recv(65_536)
        if not part:
            raise RuntimeError("the server hung up")
        self._heard += part
        head, gap, body = self._heard.partition(b"\r\n\r\n")
        if not gap or len(body) < _length(head):
            return None
        if not head.startswith(b"HTTP/1.1 200 "):
            raise RuntimeError(f"not answered well: {self._heard[:300]!r}")
        self._heard = b""
        return body


def _length(head: bytes) -> int:
    for line in head.lower().split(b"\r\n"):
        if line.startswith(b"content-length:"):
            return int(line.partition(b":")[2])
    raise RuntimeError("an answer without a length")


def post(url: str, path: str, token: str, key: str) -> bytes:
    """Return a POST without a body, as it goes over the wire."""
    host = urlsplit(url).netloc
    return (
        f"POST {path} HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\n"
        f"Idempotency-Key: {key}\r\nContent-Length: 0\r\n\r\n"
    ).encode()


def ask(url: str, queues: Sequence[Sequence[bytes]]) -> tuple[float, list[float], list[bytes]]:
    """
    Send each client's requests one after another, all clients at once.

    Returns
    -------
    tuple
        How long all of it took [s], how long each answer did [s], and the answers' bodies.
    """
    split = urlsplit(url)
    address = (split.hostname or "", split.port or 80)
    spent, told = [], []
    with selectors.DefaultSelector() as ready:
        clients = [_Client(address, queue) for queue in queues]
        try:
            for client in clients:
                ready.register(client.socket, selectors.EVENT_READ, client)
            begun = time.perf_counter()
            for client in clients:
                client.ask()
            busy = len(clients)
            while busy:
                for key, _ in ready.select(60):
                    client = key.data
                    body = client.hear()
                    if body is None:
                        continue
                    spent.append(time.perf_counter() - client.begun)
                    told.append(body)
                    if client.left:
                        client.ask()
                    else:
                        busy -= 1
            return time.perf_counter() - begun, spent, told
        finally:
            for client in clients:
                client.socket.close()
