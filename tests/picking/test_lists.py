"""Lists that respect pallets and walks: what goes where, under which SSCC, and stock right to the case."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from sqlalchemy import text

from builders.api import Api
from builders.orders import make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone, new_sscc
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.picking.usecases.next_list import next_list_statement
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock.core.gs1 import parse_element_string
from rimekeep.stock.queries import stays_that_disagree

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)


@dataclass
class Hall:
    """A room of four aisles with bottles at its far end, cans near the dock, both opened."""

    api: Api
    database: Database
    bottles: int
    cans: int
    cases: int

    def order(self, wanted: dict[int, int], **facts: Any) -> int:
        with self.database.transaction() as session:
            return make_order(session, NOW, self.api.callers["lead"], wanted, **facts).id

    def lists(self, *order_ids: int, **how: Any) -> list[dict[str, Any]]:
        office = self.api.as_("dispatcher")
        office.made("/v1/allocations", {"order_ids": list(order_ids)})
        return office.made("/v1/pick-lists", {"order_ids": list(order_ids), **how})  # type: ignore[no-any-return]

    def pick(self, stop: dict[str, Any]) -> dict[str, Any]:
        body = {"scan": "00" + stop["sscc"], "bay_check_code": "7", "cases": stop["cases"]}
        return self.api.as_("picker").made(f"/v1/picks/{stop['id']}/confirm", body)  # type: ignore[no-any-return]

    def agrees(self) -> None:
        with self.database.transaction() as session:
            site_id = self.api.callers["lead"].site_id
            for told in (reservations_that_disagree, stays_that_disagree, broken_links):
                assert list(told(session, site_id)) == []
            assert session.scalar(text("SELECT SUM(cases) FROM unit_content")) == self.cases


@pytest.fixture
def hall(api: Api, database: Database) -> Hall:
    caller = api.callers["lead"]
    with database.transaction() as session:
        bottles = make_product(session, NOW, caller, case_height_mm=270)
        cans = make_product(
            session, NOW, caller, package="can", case_mass_kg=9.0, cases_per_layer=10, layers_per_pallet=10,
            case_height_mm=130, crush_limit_kg=30.0,
        )  # fmt: skip
        zone = make_zone(session, NOW, caller, cross_aisles_after=[5], level_penalty_m=3, units_per_walk=2)
        make_zone(session, NOW, caller, kind="staging", planned_c=12.0, max_unit_mass_kg=700)
        for product, aisle, slot, cases in ((bottles, 4, 9, 47), (cans, 1, 2, 95)):
            lot = make_lot(session, NOW, caller, product)
            bay = make_bay(session, NOW, caller, zone, aisle=aisle, slot=slot, check_code="7")
            make_unit(session, NOW, caller, lot, bay=bay, cases=cases)
    return Hall(api, database, bottles.id, cans.id, 47 + 95)


def scanned(pdf: bytes) -> list[list[str]]:
    document = pypdfium2.PdfDocument(pdf)
    try:
        # At 288 dpi a line is 5.6 pixels; at 4 the reader now and then finds a symbol that is not there.
        images = [page.render(scale=4).to_pil() for page in document]
        return [[one.bytes.decode() for one in zxingcpp.read_barcodes(image)] for image in images]
    finally:
        document.close()


def test_a_mixed_pallet_is_planned_labelled_and_built_as_planned(hall: Hall) -> None:
    # 2 layers of bottles under 2 of cans, by the arithmetic in test_core_pallets.py: 501 kg, one pallet.
    order_id = hall.order({hall.cans: 20, hall.bottles: 16})
    [made] = hall.lists(order_id)
    # Cans are nearest to the dock; the walk is turned round so that the bottles come first.
    assert [(stop["cases"], stop["to_number"], stop["tier"]) for stop in made["picks"]] == [
        (16, 1, 1), (20, 1, 3),
    ]  # fmt: skip
    planned = made["picks"][0]["to_planned_sscc"]
    told = hall.api.ok("GET", f"/v1/units/{planned}/label")
    assert (told["cases"], told["mass_kg"], told["is_complete"]) == (36, pytest.approx(501), False)
    assert told["elements"] == {"00": planned}
    task = hall.api.as_("picker").made("/v1/pick-lists/next")
    done = [hall.pick(stop) for stop in task["picks"]]
    assert [one["to_sscc"] for one in done] == [planned, planned]
    assert done[-1]["is_order_picked"]
    unit = hall.api.ok("GET", f"/v1/units/{planned}")
    assert sorted(one["cases"] for one in unit["contents"]) == [16, 20]
    label = hall.api.ok("GET", f"/v1/units/{planned}/label")
    assert {**told, "is_complete": True} == label
    hall.agrees()


def test_labels_of_a_list_are_read_back_from_print(hall: Hall) -> None:
    [made] = hall.lists(hall.order({hall.bottles: 16}))
    planned = made["picks"][0]["to_planned_sscc"]
    for size in ("a6", "4x6in"):
        answer = hall.api.get(f"/v1/pick-lists/{made['id']}/labels.pdf?size={size}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
        [page] = scanned(answer.content)
        [told] = hall.api.ok("GET", f"/v1/pick-lists/{made['id']}/labels")
        assert told["elements"]["37"] == "16"
        page.sort(key=lambda scan: scan.startswith("00"))
        read = parse_element_string("\x1d".join(page), reference_year=2026)
        assert read.items() <= told["elements"].items()
        assert {"00", "02", "15", "37"} <= read.keys()
        if size == "a6":
            assert sorted(page) == sorted(told["element_strings"])
    [page] = scanned(hall.api.get(f"/v1/units/{planned}/label.pdf").content)
    assert f"00{planned}" in page
    assert hall.api.get(f"/v1/units/{new_sscc()}/label.pdf").status_code == 404
    assert hall.api.get(f"/v1/units/{planned}/label.pdf?size=a0").status_code == 422


def test_what_does_not_fit_on_one_pallet_is_divided_and_stays_right(hall: Hall) -> None:
    # 47 bottles weigh 869.5 kg; (700 − 25) / 148 kg = 4.6, so 4 layers of 8 are on the first pallet. 15 are left.
    order_id = hall.order({hall.bottles: 46, hall.cans: 5})
    [made] = hall.lists(order_id)
    of = [(stop["cases"], stop["to_number"], stop["sscc"]) for stop in made["picks"]]
    assert sorted(cases for cases, _, _ in of) == [5, 14, 32]
    assert {number for _, number, _ in of} == {1, 2}
    hall.agrees()
    task = hall.api.as_("picker").made("/v1/pick-lists/next")
    units = {(stop["to_number"], hall.pick(stop)["to_sscc"]) for stop in task["picks"]}
    assert len(units) == 2
    assert {sscc for _, sscc in units} == {stop["to_planned_sscc"] for stop in made["picks"]}
    shown = hall.api.ok("GET", f"/v1/orders/{order_id}")
    assert shown["state"] == "picked"
    assert sum(one["cases"] for one in shown["allocations"]) == 51
    hall.agrees()


def test_orders_share_a_walk_but_never_a_unit(hall: Hall) -> None:
    first, second = hall.order({hall.bottles: 3}), hall.order({hall.bottles: 4, hall.cans: 6})
    [made] = hall.lists(first, second, by="batch")
    assert (made["order_id"], made["order_code"]) == (None, None)
    assert {stop["order_id"] for stop in made["picks"]} == {first, second}
    # By hand: aisle 4, slot 9 lies 3 × 4 m across and, past the middle cross aisle at 5 + 2 × 1.5 m, 8 + 1.5 +
    # 3.5 = 13 m deep: 2 × 25 = 50 m. The cans in aisle 1 are 3 m in: on the way if aisle 1 is walked up
    # to the middle, 8 m, then across and back down an aisle: 2 × (12 + 13) = 50 m in all.
    assert made["walk_m"] == pytest.approx(50.0)
    listed = hall.api.ok("GET", f"/v1/pick-lists?order_id={second}")["items"]
    assert [one["id"] for one in listed] == [made["id"]]
    task = hall.api.as_("picker").made("/v1/pick-lists/next")
    units: dict[int, set[str]] = {}
    for stop in task["picks"]:
        done = hall.pick(stop)
        units.setdefault(stop["order_id"], set()).add(done["to_sscc"])
    assert done["is_list_done"]
    assert [len(some) for some in units.values()] == [1, 1]
    assert units[first].isdisjoint(units[second])
    for order_id in (first, second):
        assert hall.api.ok("GET", f"/v1/orders/{order_id}")["state"] == "picked"
        [sscc] = units[order_id]
        assert hall.api.ok("GET", f"/v1/units/{sscc}/label")["order_code"] is not None
    hall.agrees()


def test_cancelling_one_order_of_a_shared_walk_leaves_the_other_its_stops(hall: Hall) -> None:
    first, second = hall.order({hall.bottles: 3}), hall.order({hall.cans: 6})
    [made] = hall.lists(first, second, by="batch")
    hall.api.as_("dispatcher").made(f"/v1/orders/{first}/cancel", {"reason": "customer closed"})
    task = hall.api.as_("picker").made("/v1/pick-lists/next")
    assert task["id"] == made["id"]
    assert {stop["order_id"]: stop["state"] for stop in task["picks"]} == {first: "withdrawn", second: "open"}
    [left] = [stop for stop in task["picks"] if stop["state"] == "open"]
    assert hall.pick(left)["is_list_done"]
    hall.agrees()


def test_an_order_of_more_units_than_a_walk_takes_has_several_lists(hall: Hall, api: Api) -> None:
    caller = api.callers["lead"]
    with hall.database.transaction() as session:
        lot = make_lot(session, NOW, caller, make_product(session, NOW, caller))
        zone = make_zone(session, NOW, caller, units_per_walk=2, is_one_way=True)
        for aisle in (1, 2, 3):
            bay = make_bay(session, NOW, caller, zone, aisle=aisle, slot=4, check_code="7")
            make_unit(session, NOW, caller, lot, bay=bay, cases=48)
        product_id = lot.product_id
    order_id = hall.order({product_id: 144})
    made = hall.lists(order_id)
    assert sorted(len(one["picks"]) for one in made) == [1, 2]
    assert {one["order_id"] for one in made} == {order_id}
    # One way: 4 + 2 × 1.5 = 7 m deep, so no walk is shorter than up one aisle and down another, 2 × 7 + 2 × 4 m.
    assert all(one["walk_m"] >= 22 for one in made)
    assert all(stop["to_number"] is None for one in made for stop in one["picks"])
    labels = hall.api.ok("GET", f"/v1/pick-lists/{made[0]['id']}/labels")
    assert [one["cases"] for one in labels] == [48] * len(labels)


def test_the_next_list_is_not_looked_for_among_those_that_are_done(database: Database) -> None:
    """Lists ever done are many; each of the three places to look has an index that holds none of them."""
    with database.transaction(readonly=True) as session:
        dialect = session.connection().dialect
        compiled = next_list_statement().compile(dialect=dialect)
        values = {"site": 1, "device": 1, "present": NOW, "until": NOW}
        if database.settings.is_sqlite:
            asked = [(compiled.params | values)[name] for name in compiled.positiontup]
            rows = session.connection().exec_driver_sql(
                f"EXPLAIN QUERY PLAN {compiled}", tuple(str(one) for one in asked)
            )
        else:
            # Where tables are empty, no index is worth it.
            session.execute(text("SET LOCAL enable_seqscan = off"))
            session.execute(text("SET LOCAL plan_cache_mode = force_generic_plan"))
            rows = session.connection().exec_driver_sql(f"EXPLAIN {compiled}", compiled.params | values)
        plan = "\n".join(str(row) for row in rows)
    for index in ("ix_pick_list__own", "ix_pick_list__lease", "ix_pick_list__next"):
        assert index in plan
