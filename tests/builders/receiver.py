"""A webhook receiver on loopback that answers as a test tells it to."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Receiver:
    """What came in, in order, and what is answered next; 200 once ``answers`` is used up."""

    port: int = 0
    answers: list[int] = field(default_factory=list)
    drip_s: float = 0.0
    # Takes the message and says nothing until the receiver is closed.
    hangs: bool = False
    # Bytes of the answer's body, sent for as long as somebody reads.
    body_bytes: int = 0
    retry_after: str | None = None
    released: threading.Event = field(default_factory=threading.Event)
    paths: list[str] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    bodies: list[bytes] = field(default_factory=list)
    connections: int = 0
    # From which port of the sender's each message came: the same one, the same connection.
    from_ports: list[int] = field(default_factory=list)

    @property
    def url(self) -> str:
        """Return where it listens."""
        return f"http://127.0.0.1:{self.port}/cold?store=north"


@contextmanager
def listening(*, keeps_alive: bool = False) -> Iterator[Receiver]:
    """Run a receiver; it closes each connection after one message unless it ``keeps_alive``."""
    receiver = Receiver()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1" if keeps_alive else "HTTP/1.0"

        def setup(self) -> None:
            receiver.connections += 1
            super().setup()

        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            body = self.rfile.read(length)
            if len(body) < length:
                # Whoever sent it died over it: nobody has heard anything.
                self.close_connection = True
                return
            receiver.paths.append(self.path)
            receiver.from_ports.append(self.client_address[1])
            receiver.headers.append(dict(self.headers.items()))
            receiver.bodies.append(body)
            status = receiver.answers.pop(0) if receiver.answers else 200
            if receiver.hangs:
                receiver.released.wait(600)
                self.close_connection = True
                return
            if receiver.drip_s:
                # One byte of the head at a time: each arrives in time, the whole never does.
                for byte in b"HTTP/1.1 200 OK\r\nX-Slow: " + b"x" * 40:
                    try:
                        self.wfile.write(bytes([byte]))
                    except OSError:
                        break
                    time.sleep(receiver.drip_s)
                self.close_connection = True
                return
            self.send_response(status)
            if 300 <= status < 400:
                self.send_header("Location", f"http://127.0.0.1:{receiver.port}/elsewhere")
            if receiver.retry_after is not None:
                self.send_header("Retry-After", receiver.retry_after)
            self.send_header("Content-Length", str(receiver.body_bytes))
            self.end_headers()
            try:
                for _ in range(receiver.body_bytes // 65536):
                    self.wfile.write(bytes(65536))
            except OSError:
                self.close_connection = True

        def log_message(self, *_args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    receiver.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield receiver
    finally:
        receiver.released.set()
        server.shutdown()
        thread.join()
        server.server_close()
