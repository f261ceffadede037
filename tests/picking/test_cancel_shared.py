"""Orders that share a walk: whatever becomes of one of them, the list and the other order's goods stay right."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy.orm import Session

from builders.api import Api
from builders.orders import make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.orders.core.records import LineChange, OrderChange
from rimekeep.picking import usecases
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.queries import stays_that_disagree

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
WHY = "customer closed (invented)"


@dataclass
class Walk:
    """Two orders of a few cases each on one list a picker has; each of a beer of its own."""

    api: Api
    database: Database
    caller: Caller
    picker: Caller
    staging_id: int
    lots: tuple[int, int]
    orders: tuple[int, int]
    list_id: int
    stops: dict[int, dict[str, Any]]

    def confirm(self, session: Session, order_id: int) -> None:
        stop = self.stops[order_id]
        usecases.confirm_pick(
            session, NOW, self.picker, pick_id=stop["id"], scan="00" + stop["sscc"], bay_check_code="7",
            cases=stop["cases"], lease_s=600,
        )  # fmt: skip

    def cancel(self, session: Session, order_id: int) -> None:
        usecases.cancel_order(session, NOW, self.caller, order_id=order_id, reason=WHY)

    def shrink(self, session: Session, order_id: int) -> None:
        """Take the only line off, and put another on that nothing serves yet."""
        lines = [
            LineChange(1, cases=0, told=frozenset({"cases"})),
            LineChange(2, self.spare, 1, told=frozenset({"cases", "product_id"})),
        ]
        change = OrderChange({}, lines)
        usecases.amend_order(session, NOW, self.caller, order_id=order_id, change=change, reason=WHY)

    def stop_and_serve_anew(self, session: Session, order_id: int) -> None:
        lot_id = self.lots[self.orders.index(order_id)]
        stock_usecases.hold_lot(session, NOW, self.caller, lot_id=lot_id, reason="cap torque (invented)")
        usecases.reallocate(session, NOW, self.caller)

    @property
    def spare(self) -> int:
        return int(self.api.ok("GET", "/v1/products")["items"][0]["id"])

    def list(self) -> dict[str, Any]:
        return self.api.ok("GET", f"/v1/pick-lists/{self.list_id}")  # type: ignore[no-any-return]

    def agrees(self) -> None:
        with self.database.transaction() as session:
            for told in (reservations_that_disagree, stays_that_disagree, broken_links):
                assert list(told(session, self.caller.site_id)) == []


@pytest.fixture
def walk(api: Api, database: Database) -> Walk:
    caller = api.callers["lead"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, caller, units_per_walk=4)
        staging = make_zone(session, NOW, caller, kind="staging", planned_c=12.0)
        lots, orders = [], []
        for slot in (2, 4):
            product = make_product(session, NOW, caller)
            lot = make_lot(session, NOW, caller, product)
            bay = make_bay(session, NOW, caller, zone, aisle=1, slot=slot, check_code="7")
            make_unit(session, NOW, caller, lot, bay=bay)
            lots.append(lot.id)
            orders.append(make_order(session, NOW, caller, {product.id: 5}).id)
    office = api.as_("dispatcher")
    office.made("/v1/allocations", {"order_ids": orders})
    office.made("/v1/pick-lists", {"order_ids": orders, "by": "batch"})
    taken = api.as_("picker").made("/v1/pick-lists/next")
    stops = {stop["order_id"]: stop for stop in taken["picks"]}
    return Walk(
        api, database, caller, api.callers["picker"], staging.id, (lots[0], lots[1]), (orders[0], orders[1]),
        taken["id"], stops,
    )  # fmt: skip


def test_what_was_picked_for_the_other_order_comes_to_staging_when_the_rest_is_cancelled(walk: Walk) -> None:
    first, second = walk.orders
    with walk.database.transaction() as session:
        walk.confirm(session, first)
    [one] = walk.api.ok("GET", f"/v1/orders/{first}")["allocations"]
    assert one["zone_id"] != walk.staging_id, "the picker walks on with it"
    walk.api.as_("dispatcher").made(f"/v1/orders/{second}/cancel", {"reason": WHY})
    assert walk.list()["state"] == "done"
    [one] = walk.api.ok("GET", f"/v1/orders/{first}")["allocations"]
    assert (one["state"], one["zone_id"]) == ("picked", walk.staging_id)
    walk.agrees()


Act = Callable[[Walk, Session, int], None]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (Walk.cancel, Walk.cancel),
        (Walk.confirm, Walk.cancel),
        (Walk.cancel, Walk.confirm),
        (Walk.confirm, Walk.shrink),
        (Walk.stop_and_serve_anew, Walk.confirm),
        (Walk.cancel, Walk.stop_and_serve_anew),
    ],
)
def test_two_who_end_the_last_stops_of_a_list_at_once_see_each_other(
    walk: Walk, one: Act, other: Act
) -> None:
    """Neither may take the other's stop for open still: nobody would close the list."""
    first, second = walk.orders
    done = threading.Event()

    def act() -> None:
        with walk.database.transaction() as session:
            other(walk, session, second)
        done.set()

    thread = threading.Thread(target=act)
    with walk.database.transaction() as session:
        one(walk, session, first)
        thread.start()
        # Time to come as far as it can; it waits for this transaction, or is done without.
        thread.join(1.0)
    thread.join(60)
    assert done.is_set()
    assert walk.list()["state"] == "done"
    walk.agrees()
