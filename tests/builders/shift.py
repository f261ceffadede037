"""A site in the middle of a shift, for servers that are killed, crowded or cut off; all of it invented."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import httpx2
from sqlalchemy.orm import Session

from builders.cold import make_sensor
from builders.orders import make_customer, make_order
from builders.server import Http
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.picking import usecases as picking
from rimekeep.platform.database import Database

FULL_CASES = 48


@dataclass
class Shift:
    """Who works there, and on what."""

    site_id: int
    desk: Caller
    admin_token: str
    picker_tokens: list[str]
    lot_ids: list[int] = field(default_factory=list)
    order_ids: list[int] = field(default_factory=list)
    sensor_code: str = ""
    zone_id: int = 0


def open_shift(
    database: Database,
    now: datetime,
    *,
    pickers: int,
    lots: int,
    pallets_each: int,
    orders: int,
    wanted: Callable[[int, int], int],
) -> Shift:
    """
    Fill an empty database: ``lots`` products of one lot each, ``orders`` orders of ``wanted(order, product)`` cases.

    Pallets hold 48 cases and stand in one room; nothing is allocated yet.
    """
    with database.transaction() as session:
        site, admin_token = open_new_site(
            session, now, code="NORTH", name="North store (invented)", company_prefix="9521234"
        )
        desk = _desk(session, now, site.id)
        tokens = []
        for number in range(pickers):
            _, token = add_principal(
                session,
                now,
                site.id,
                kind=PrincipalKind.DEVICE,
                name=f"handheld {number}",
                roles=[Role.PICKER],
            )
            tokens.append(token)
        shift = Shift(site.id, desk, admin_token, tokens)
        store = make_zone(session, now, desk)
        make_zone(session, now, desk, kind="staging")
        shift.zone_id = store.id
        shift.sensor_code = make_sensor(session, now, desk, store).code
        products = []
        for _ in range(lots):
            product = make_product(session, now, desk)
            lot = make_lot(session, now, desk, product)
            products.append(product.id)
            shift.lot_ids.append(lot.id)
            for _ in range(pallets_each):
                make_unit(session, now, desk, lot, store, cases=FULL_CASES)
        customer = make_customer(session, now, desk)
        for number in range(orders):
            cases = {product: wanted(number, place) for place, product in enumerate(products)}
            order = make_order(session, now, desk, {p: n for p, n in cases.items() if n}, customer)
            shift.order_ids.append(order.id)
    return shift


def _desk(session: Session, now: datetime, site_id: int) -> Caller:
    holder, _ = add_principal(
        session, now, site_id, kind=PrincipalKind.PERSON, name="the lead", roles=[Role.LEAD]
    )
    return Caller(holder.id, site_id, holder.name, frozenset([Role.LEAD]))


def reserve_and_list(database: Database, now: datetime, shift: Shift) -> None:
    """Allocate every order and make the pick lists."""
    with database.transaction() as session:
        picking.allocate_orders(session, now, shift.desk, picking.Chosen(order_ids=shift.order_ids))
    with database.transaction() as session:
        picking.make_pick_lists(session, now, shift.desk, order_ids=shift.order_ids)


@dataclass
class Answered:
    """What was asked under one key, and what the service said to it."""

    token: str
    path: str
    body: Any
    answer: Any


class Persistent:
    """A client that repeats a call under the same key until somebody answers, and writes down what was acknowledged."""

    def __init__(self, url: str, token: str, name: str, timeout_s: float = 300) -> None:
        self.url, self.token, self.name, self.timeout_s = url, token, name, timeout_s
        self.http = Http(url, token)
        self.acknowledged: dict[str, Answered] = {}
        self.repeats = 0
        self._number = 0

    def close(self) -> None:
        """Close its connections."""
        self.http.client.close()

    def insist(self, path: str, body: Any = None) -> Any:
        """POST until it is answered; return the answer."""
        self._number += 1
        key = f"{self.name}-{self._number}"
        deadline = time.monotonic() + self.timeout_s
        while time.monotonic() < deadline:
            try:
                response = self.http.post(path, body, key=key)
            except httpx2.TransportError:
                self.repeats += 1
                time.sleep(0.05)
                continue
            is_in_flight = response.status_code == 409 and response.json()["type"] == "/problems/in-flight"
            if response.status_code == 503 or is_in_flight:
                self.repeats += 1
                time.sleep(0.05)
                continue
            assert response.status_code < 300, f"{path} {body}: {response.status_code} {response.text}"
            self.acknowledged[key] = Answered(self.token, path, body, response.json())
            return response.json()
        raise AssertionError(f"{path}: nobody answered for {self.timeout_s} s")

    def replay(self) -> None:
        """Ask everything again under its old key: the old answer comes, and nothing happens."""
        for key, asked in self.acknowledged.items():
            response = self.http.post(asked.path, asked.body, key=key)
            assert response.headers.get("idempotency-replayed") == "true", f"{key}: {response.text}"
            assert response.json() == asked.answer, key


def together(works: list[Callable[[], None]]) -> list[threading.Thread]:
    """Start all at one moment; a failure of one is raised by :func:`finish`."""
    gate = threading.Barrier(len(works))
    failures: list[BaseException] = []

    def run(work: Callable[[], None]) -> None:
        try:
            gate.wait(120)
            work()
        except BaseException as failure:  # noqa: BLE001 - raised again where it is seen
            failures.append(failure)

    threads = [threading.Thread(target=run, args=(work,), daemon=True) for work in works]
    for thread in threads:
        thread.failures = failures  # type: ignore[attr-defined]
        thread.start()
    return threads


def finish(threads: list[threading.Thread], timeout_s: float = 400) -> None:
    """Wait for all, and raise what went wrong in any."""
    deadline = time.monotonic() + timeout_s
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))
    failures: list[BaseException] = threads[0].failures  # type: ignore[attr-defined]
    if failures:
        raise failures[0]
    assert not any(thread.is_alive() for thread in threads), "somebody is still at work"
