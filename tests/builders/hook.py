"""A webhook endpoint as a process of its own: `python hook.py PORT FILE` writes each request as a line of JSON."""

from __future__ import annotations

import json
import sys
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path


def main(port: int, heard: Path) -> None:
    """Answer every POST with 204, once it is written down."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"])).decode()
            line = {"headers": {name.lower(): value for name, value in self.headers.items()}, "body": body}
            with heard.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    HTTPServer(("127.0.0.1", port), Handler).serve_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]))
