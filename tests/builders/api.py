"""A client that speaks to the application as one role after another."""

from __future__ import annotations

import atexit
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import cache
from typing import Any
from uuid import uuid4

from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI
from fastapi.testclient import TestClient
from httpx2 import Response

from rimekeep.access.core.roles import Caller


@cache
def one_loop() -> BlockingPortal:
    """One event loop for all requests of a process, as in service; one a request costs more than the request."""
    stack = ExitStack()
    atexit.register(stack.close)
    return stack.enter_context(start_blocking_portal())


@dataclass
class Api:
    """HTTP to the application under test; every POST gets a fresh idempotency key unless one is given."""

    app: FastAPI
    tokens: dict[str, str]
    callers: dict[str, Caller]
    role: str = "admin"
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        self.client = TestClient(self.app, base_url="http://127.0.0.1", raise_server_exceptions=False)
        self.client.portal = one_loop()

    def as_(self, role: str) -> Api:
        """Return the same client speaking as ``role``."""
        other = Api.__new__(Api)
        other.__dict__.update(self.__dict__, role=role)
        return other

    def request(
        self,
        method: str,
        path: str,
        *,
        key: str | None = None,
        headers: dict[str, str] | None = None,
        **kwargs: Any,
    ) -> Response:
        """Send one request."""
        sent = {"Authorization": f"Bearer {self.tokens[self.role]}", **(headers or {})}
        if method == "POST":
            sent.setdefault("Idempotency-Key", key or str(uuid4()))
        return self.client.request(method, path, headers=sent, **kwargs)

    def get(self, path: str, **kwargs: Any) -> Response:
        """GET."""
        return self.request("GET", path, **kwargs)

    def post(self, path: str, json: Any = None, **kwargs: Any) -> Response:
        """POST a JSON body."""
        return self.request("POST", path, json=json, **kwargs)

    def ok(self, method: str, path: str, json: Any = None, **kwargs: Any) -> Any:
        """Send a request that must succeed; return its body."""
        response = self.request(method, path, json=json, **kwargs)
        assert response.status_code < 300, f"{method} {path}: {response.status_code} {response.text}"
        return response.json() if response.content else None

    def made(self, path: str, json: Any = None, **kwargs: Any) -> Any:
        """POST something that must succeed; return its body."""
        return self.ok("POST", path, json, **kwargs)

    def refused(self, path: str, json: Any, status: int, code: str, **kwargs: Any) -> dict[str, Any]:
        """POST something that must be refused as a problem of kind ``code``; return the problem."""
        response = self.post(path, json, **kwargs)
        assert response.headers["content-type"] == "application/problem+json", response.text
        body: dict[str, Any] = response.json()
        assert (response.status_code, body["type"]) == (status, f"/problems/{code}"), body
        return body
