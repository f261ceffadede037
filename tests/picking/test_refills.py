"""Pick bays filled and slots suggested, through HTTP on both databases."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone, new_sscc
from rimekeep.access.core.roles import Caller
from rimekeep.picking import jobs, queries
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock import queries as stock_queries
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.tables import Bay, Lot, Unit

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()


@dataclass
class Floor:
    """A pick bay, three bulk bays and a lane three deep, with an older and a newer lot."""

    api: Api
    clock: Any
    database: Database
    caller: Caller
    product_id: int
    zone_id: int
    pick: Bay
    bulk: list[Bay]
    lane: Bay
    old: Lot
    new: Lot

    def pallet(self, lot: Lot, bay: Bay, cases: int = 48, **facts: Any) -> Unit:
        with self.database.transaction() as session:
            return make_unit(session, NOW, self.caller, lot, bay=bay, cases=cases, **facts)

    def face(self, least: int, most: int) -> dict[str, Any]:
        body = {"bay_id": self.pick.id, "product_id": self.product_id, "min_cases": least, "max_cases": most}
        return self.api.as_("lead").made("/v1/pick-faces", body)  # type: ignore[no-any-return]

    def plan(self) -> dict[str, Any]:
        return self.api.as_("lead").made("/v1/replenishments")  # type: ignore[no-any-return]

    def bring(self, task: dict[str, Any], scan: str | None = None) -> dict[str, Any]:
        driver = self.api.as_("picker")
        assert driver.made("/v1/replenishments/next")["id"] == task["id"]
        body = {"scan": scan or task["sscc"], "bay_check_code": self.pick.check_code}
        return driver.made(f"/v1/replenishments/{task['id']}/confirm", body)  # type: ignore[no-any-return]

    def order(self, cases: int) -> int:
        with self.database.transaction() as session:
            customer = make_customer(session, NOW, self.caller)
            order_id: int = make_order(session, NOW, self.caller, {self.product_id: cases}, customer).id
        self.api.made("/v1/allocations", {"order_ids": [order_id]})
        return order_id

    def agrees(self) -> None:
        with self.database.transaction() as session:
            site = self.caller.site_id
            assert list(queries.reservations_that_disagree(session, site)) == []
            assert list(stock_queries.stays_that_disagree(session, site)) == []
            assert list(broken_links(session, site)) == []


@pytest.fixture
def floor(api: Api, clock: Any, database: Database) -> Floor:
    caller = api.callers["lead"]
    with database.transaction() as session:
        product, zone = make_product(session, NOW, caller), make_zone(session, NOW, caller)
        make_zone(session, NOW, caller, kind="staging")
        pick = make_bay(session, NOW, caller, zone, slot=1, role="pick")
        bulk = [make_bay(session, NOW, caller, zone, slot=2 + place) for place in range(3)]
        lane = make_bay(session, NOW, caller, zone, aisle=2, slot=1, depth=3)
        old, new = (
            make_lot(session, NOW, caller, product, code=code, best_before_on=TODAY + timedelta(days=days))
            for code, days in (("OLD", 60), ("NEW", 90))
        )
    clock.now = NOW
    return Floor(api, clock, database, caller, product.id, zone.id, pick, bulk, lane, old, new)


def test_a_low_pick_bay_is_filled_from_the_oldest_bulk_stock_by_scan(floor: Floor) -> None:
    newer, older = floor.pallet(floor.new, floor.bulk[0]), floor.pallet(floor.old, floor.bulk[1])
    assert floor.face(10, 60)["is_low"]
    made = floor.plan()["made"]
    # All 48 older cases as they stand, then the one layer of eight that still fits.
    assert [(one["lot_code"], one["cases"], one["is_whole_unit"]) for one in made] == [
        ("OLD", 48, True),
        ("NEW", 8, False),
    ]
    assert "share the aisle" in made[0]["caution"]
    assert floor.plan() == {"made": [], "held_back": []}  # what is on its way is not sent for twice
    driver = floor.api.as_("picker")
    path = f"/v1/replenishments/{made[0]['id']}"
    right = {"scan": older.sscc, "bay_check_code": floor.pick.check_code}
    driver.refused(f"{path}/confirm", right, 409, "task-not-yours")
    driver.made("/v1/replenishments/next")
    driver.refused(f"{path}/confirm", {**right, "scan": newer.sscc}, 409, "wrong-unit")
    driver.refused(f"{path}/confirm", {**right, "bay_check_code": "0x"}, 409, "wrong-bay")
    driver.made(f"{path}/hand-back")
    done = floor.bring(made[0])
    assert (done["outcome"], done["to_sscc"]) == ("done", older.sscc)
    assert floor.api.ok("GET", f"/v1/units/{older.sscc}")["bay_code"] == floor.pick.code
    done = floor.bring(made[1])
    assert done["outcome"] == "done"
    assert done["to_sscc"] not in (newer.sscc, older.sscc)
    split = floor.api.ok("GET", f"/v1/units/{done['to_sscc']}")
    assert (split["state"], split["contents"][0]["cases"], split["contents"][0]["lot_code"]) == (
        "in_store", 8, "NEW",
    )  # fmt: skip
    assert floor.api.ok("GET", f"/v1/units/{newer.sscc}")["contents"][0]["cases"] == 40
    face = floor.api.ok("GET", "/v1/pick-faces")["items"][0]
    assert (face["cases"], face["is_low"], face["coming_cases"]) == (56, False, 0)
    # What came into the pick bay is stock like any other: first-expired first.
    order = floor.api.ok("GET", f"/v1/orders/{floor.order(50)}")
    assert sorted((one["lot_code"], one["cases"]) for one in order["allocations"]) == [
        ("NEW", 2),
        ("OLD", 48),
    ]
    floor.agrees()


def test_newer_stock_waits_until_older_reserved_stock_is_picked(floor: Floor) -> None:
    floor.pallet(floor.old, floor.pick, cases=8)
    floor.pallet(floor.new, floor.bulk[0])
    floor.face(10, 60)
    order_id = floor.order(8)
    planned = floor.plan()
    assert planned["made"] == []
    assert "is picked first" in planned["held_back"][0]["reason"]
    floor.api.made("/v1/pick-lists", {"order_ids": [order_id]})
    (pick,) = floor.api.as_("picker").made("/v1/pick-lists/next")["picks"]
    body = {"scan": pick["sscc"], "bay_check_code": floor.pick.check_code, "cases": 8}
    floor.api.as_("picker").made(f"/v1/picks/{pick['id']}/confirm", body)
    with floor.database.transaction() as session:
        jobs.fill_pick_bays(session, NOW, floor.caller.site_id)
    assert [one["lot_code"] for one in floor.api.ok("GET", "/v1/replenishments?state=open")["items"]] == [
        "NEW"
    ]
    floor.agrees()


def test_a_task_that_is_no_longer_right_moves_nothing_and_says_so(floor: Floor) -> None:
    pallet = floor.pallet(floor.old, floor.bulk[0])
    floor.face(10, 48)
    (task,) = floor.plan()["made"]
    floor.order(5)  # promised meanwhile: not the whole pallet is free any more
    done = floor.bring(task)
    assert (done["outcome"], done["to_sscc"]) == ("over", None)
    assert "promised" in done["told"]
    assert floor.api.ok("GET", f"/v1/units/{pallet.sscc}")["bay_code"] == floor.bulk[0].code
    (task,) = floor.plan()["made"]  # planned anew, by layers
    assert (task["cases"], task["is_whole_unit"]) == (40, False)
    with floor.database.transaction() as session:
        stock_usecases.hold_lot(session, NOW, floor.caller, lot_id=floor.old.id, reason="cap torque")
    assert "QA has stopped it" in floor.bring(task)["told"]
    assert "No free stock" in floor.plan()["held_back"][0]["reason"]
    body = {"bay_id": floor.bulk[0].id, "product_id": floor.product_id, "min_cases": 1, "max_cases": 9}
    floor.api.as_("lead").refused("/v1/pick-faces", body, 409, "not-a-pick-bay")
    bad = {**body, "bay_id": floor.pick.id, "max_cases": 1}
    floor.api.as_("lead").refused("/v1/pick-faces", bad, 422, "invalid-input")
    floor.agrees()


def test_slots_are_suggested_so_that_older_stock_is_not_buried(floor: Floor) -> None:
    ask = floor.api.as_("picker")
    first = ask.made("/v1/putaway", {"lot_id": floor.new.id, "units": 3})
    # Three pallets of one lot fill the lane three deep; single bays by the way to them.
    assert [(one["bay_code"], one["units"]) for one in first] == [
        (floor.lane.code, 3), *((bay.code, 1) for bay in floor.bulk),
    ]  # fmt: skip
    # 1 m slots, aisles 4 m apart, 1.5 m to the first slot: 2 · (4 + 1.5 + 0.5).
    assert first[0]["walk_m"] == pytest.approx(12.0)
    floor.pallet(floor.old, floor.lane)
    newer = ask.made("/v1/putaway", {"lot_id": floor.new.id, "units": 2})
    assert floor.lane.code not in [one["bay_code"] for one in newer]
    same = ask.made("/v1/putaway", {"lot_id": floor.old.id, "units": 2})
    assert (same[0]["bay_code"], same[0]["units"]) == (floor.lane.code, 2)
    assert same[0]["reason"].startswith("The same lot stands there.")
    # Put where it was suggested, by the one who brings it in; full is full.
    for _ in range(2):
        body = {"sscc": new_sscc(), "zone_id": floor.zone_id, "bay_id": floor.lane.id}
        ask.made("/v1/units", {**body, "contents": [{"lot_id": floor.old.id, "cases": 48}]})
    again = ask.made("/v1/putaway", {"lot_id": floor.old.id})
    assert floor.lane.code not in [one["bay_code"] for one in again]
    ask.refused("/v1/putaway", {"lot_id": 2**40}, 422, "invalid-input")
    # Nobody is kept from putting newer stock in front; the lead sees what it hides.
    assert ask.ok("GET", "/v1/buried-units") == []
    front = {**body, "sscc": new_sscc(), "contents": [{"lot_id": floor.new.id, "cases": 48}]}
    ask.made("/v1/units", front)
    hidden = ask.ok("GET", "/v1/buried-units")
    assert len(hidden) == 3
    assert {(one["in_front_sscc"], one["bay_code"]) for one in hidden} == {(front["sscc"], floor.lane.code)}


def test_what_is_over_is_not_brought_to_a_pick_bay(floor: Floor) -> None:
    floor.pallet(floor.old, floor.bulk[0])
    floor.pallet(floor.new, floor.bulk[1])
    floor.face(10, 60)
    # The old lot's last day was ten days ago; it still stands there, released.
    floor.clock.now = NOW + timedelta(days=70)
    assert [one["lot_code"] for one in floor.plan()["made"]] == ["NEW"]


def test_of_a_deep_bay_the_unit_in_front_is_brought(floor: Floor) -> None:
    behind, front = (
        floor.pallet(floor.old, floor.lane, received_at=NOW - timedelta(hours=hours)) for hours in (9, 2)
    )
    floor.face(10, 48)
    [made] = floor.plan()["made"]
    assert made["sscc"] == front.sscc != behind.sscc
