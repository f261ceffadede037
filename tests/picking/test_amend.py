"""Orders changed while stock serves them: told through HTTP, and right to the case after every step."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.event import listen, remove

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone
from builders.store import furnish
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.records import NewLine, OrderChange
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.picking.tables import Pick
from rimekeep.picking.usecases import amend_order, cancel_order, release_cases
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock.queries import stays_that_disagree

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()
WHY = "customer called (invented)"


@dataclass
class Floor:
    """Three lots of one beer, good for 60, 90 and 120 days, a full pallet of each, and one more of ale."""

    api: Api
    database: Database
    beer: int
    ale: int
    lots: list[str]
    codes: dict[str, str]
    staging_id: int
    customer_ids: dict[str, int] = field(default_factory=dict)

    @property
    def office(self) -> Api:
        return self.api.as_("dispatcher")

    @property
    def picker(self) -> Api:
        return self.api.as_("picker")

    def order(self, *wanted: tuple[int, int], **facts: Any) -> int:
        with self.database.transaction() as session:
            return make_order(session, NOW, self.api.callers["lead"], dict(wanted), **facts).id

    def customer(self, **rules: Any) -> Any:
        with self.database.transaction() as session:
            return make_customer(session, NOW, self.api.callers["lead"], **rules)

    def allocate(self, order_id: int) -> dict[str, int]:
        self.office.made("/v1/allocations", {"order_ids": [order_id]})
        return self.held(order_id)

    def held(self, order_id: int, state: str | None = None) -> dict[str, int]:
        """Return the cases that serve an order by lot."""
        found: dict[str, int] = {}
        for one in self.office.ok("GET", f"/v1/orders/{order_id}")["allocations"]:
            if state in (None, one["state"]):
                found[one["lot_code"]] = found.get(one["lot_code"], 0) + one["cases"]
        return found

    def taken(self, order_id: int) -> dict[str, Any]:
        """Make the order's lists and take the first."""
        self.office.made("/v1/pick-lists", {"order_ids": [order_id]})
        return self.picker.made("/v1/pick-lists/next")  # type: ignore[no-any-return]

    def pick(self, pick: dict[str, Any], **changed: Any) -> Any:
        body = {
            "scan": "00" + pick["sscc"],
            "bay_check_code": self.codes.get(pick["bay_code"]),
            "cases": pick["cases"],
        }
        return self.picker.post(f"/v1/picks/{pick['id']}/confirm", {**body, **changed})

    def amend(self, order_id: int, *lines: dict[str, Any], **head: Any) -> dict[str, Any]:
        path = f"/v1/orders/{order_id}"
        body = {"reason": WHY, **head, **({"lines": list(lines)} if lines else {})}
        tag = {"If-Match": self.office.get(path).headers["etag"]}
        answer = self.office.ok("PATCH", path, body, headers=tag)
        self.agrees()
        return answer  # type: ignore[no-any-return]

    def agrees(self) -> None:
        with self.database.transaction() as session:
            site_id = self.api.callers["lead"].site_id
            assert list(reservations_that_disagree(session, site_id)) == []
            assert list(broken_links(session, site_id)) == []
            assert list(stays_that_disagree(session, site_id)) == []


@pytest.fixture
def floor(api: Api, database: Database) -> Floor:
    caller = api.callers["lead"]
    with database.transaction() as session:
        beer, ale = (make_product(session, NOW, caller) for _ in range(2))
        zone = make_zone(session, NOW, caller)
        staging = make_zone(session, NOW, caller, kind="staging", planned_c=12.0, code="STAGE")
        lots = [
            make_lot(
                session, NOW, caller, beer, packaged_at=NOW - timedelta(days=30),
                best_before_on=TODAY + timedelta(days=days),
            )
            for days in (60, 90, 120)
        ]  # fmt: skip
        bays = [make_bay(session, NOW, caller, zone, aisle=1, slot=slot) for slot in range(1, 5)]
        lots.append(make_lot(session, NOW, caller, ale))
        for lot, bay in zip(lots, bays, strict=True):
            make_unit(session, NOW, caller, lot, bay=bay, cases=48)
    codes = {bay.code: bay.check_code for bay in bays}
    return Floor(api, database, beer.id, ale.id, [lot.code for lot in lots], codes, staging.id)


def line(number: int, cases: int | None = None, **facts: Any) -> dict[str, Any]:
    return {"line_no": number, **({} if cases is None else {"cases": cases}), **facts}


def test_before_allocation_an_order_is_simply_another(floor: Floor) -> None:
    order_id = floor.order((floor.beer, 40), (floor.ale, 5))
    said = floor.amend(
        order_id, line(1, 30), line(2, 0), line(7, 3, product_id=floor.ale, min_life_fraction=0.2),
        priority=4, deliver_on=str(TODAY + timedelta(days=3)), external_reference="PO-9",
    )  # fmt: skip
    assert [(one["line_no"], one["cases"], one["min_life_fraction"]) for one in said["lines"]] == [
        (1, 30, None), (7, 3, 0.2),
    ]  # fmt: skip
    assert (said["priority"], said["external_reference"], said["state"], said["given_back"]) == (
        4,
        "PO-9",
        "open",
        [],
    )
    # A line nothing ever served is gone; its number is free for another product.
    assert floor.amend(order_id, line(2, 6, product_id=floor.beer))["lines"][1]["product_id"] == floor.beer
    told = floor.office.ok("GET", "/v1/orders")["items"][0]
    assert told["priority"] == 4


def test_what_a_line_wants_no_more_goes_back_latest_expiry_first(floor: Floor) -> None:
    first, second, third, ale = floor.lots
    order_id = floor.order((floor.beer, 120), (floor.ale, 5))
    assert floor.allocate(order_id) == {first: 48, second: 48, third: 24, ale: 5}
    said = floor.amend(order_id, line(1, 110))
    assert [(one["lot_code"], one["cases"], one["was"], one["is_free"]) for one in said["given_back"]] == [
        (third, 10, "reserved", True)
    ]
    floor.amend(order_id, line(1, 80))
    assert floor.held(order_id) == {first: 48, second: 32, ale: 5}
    # A pallet that was taken whole is not whole any more.
    assert {one["lot_code"]: one["how"] for one in said["allocations"]} == {
        first: "pallet", second: "pallet", third: "cases", ale: "cases",
    }  # fmt: skip
    assert {one["lot_code"]: one["how"] for one in floor.office.ok("GET", f"/v1/orders/{order_id}")["allocations"]} == {
        first: "pallet", second: "layers", ale: "cases",
    }  # fmt: skip
    assert floor.amend(order_id, line(1, 0))["state"] == "allocated"
    assert floor.held(order_id) == {ale: 5}
    # The line has a history, so its number comes back for its own product only.
    answer = floor.office.request(
        "PATCH", f"/v1/orders/{order_id}", headers={"If-Match": "*"},
        json={"reason": WHY, "lines": [line(1, 3, product_id=floor.ale)]},
    )  # fmt: skip
    assert answer.status_code == 422
    floor.amend(order_id, line(1, 20), line(2, 0))
    assert floor.office.ok("GET", f"/v1/orders/{order_id}")["state"] == "open"
    assert floor.allocate(order_id) == {first: 20}
    floor.agrees()


def test_picks_nobody_has_taken_go_and_those_a_picker_has_say_so(floor: Floor) -> None:
    first, second, third, _ = floor.lots
    order_id = floor.order((floor.beer, 120))
    floor.allocate(order_id)
    [made] = floor.office.made("/v1/pick-lists", {"order_ids": [order_id]})
    said = floor.amend(order_id, line(1, 96))
    assert [one["is_picker_told"] for one in said["given_back"]] == [False]
    states = {
        one["lot_code"]: one["state"]
        for one in floor.picker.ok("GET", f"/v1/pick-lists/{made['id']}")["picks"]
    }
    assert states == {first: "open", second: "open", third: "withdrawn"}
    task = floor.picker.made("/v1/pick-lists/next")
    picks = {one["lot_code"]: one for one in task["picks"]}
    said = floor.amend(order_id, line(1, 60))
    assert [(one["lot_code"], one["cases"], one["is_picker_told"]) for one in said["given_back"]] == [
        (second, 36, True)
    ]
    # The device still shows 48: what it sends is refused and says how many go back.
    assert floor.pick(picks[second]).status_code == 409
    floor.amend(order_id, line(1, 48))
    gone = floor.pick(picks[second])
    assert gone.status_code in (200, 409), gone.text
    floor.agrees()
    assert floor.held(order_id, "picked") == {}
    done = floor.pick(picks[first])
    assert done.status_code == 200, done.text
    assert floor.office.ok("GET", f"/v1/orders/{order_id}")["state"] == "picked"
    with floor.database.transaction() as session:
        notes = {row.id: (row.state, row.note) for row in session.query(Pick)}
    assert notes[picks[second]["id"]][0] == "withdrawn"
    assert WHY in notes[picks[second]["id"]][1]
    assert "\n" not in notes[picks[second]["id"]][1]
    assert notes[picks[first]["id"]] == ("done", "")
    floor.agrees()


def test_a_list_whose_last_pick_is_withdrawn_is_done_and_the_order_picked(floor: Floor) -> None:
    order_id = floor.order((floor.beer, 48), (floor.ale, 5))
    floor.allocate(order_id)
    task = floor.taken(order_id)
    assert floor.pick(next(one for one in task["picks"] if one["cases"] == 48)).status_code == 200
    said = floor.amend(order_id, line(2, 0))
    assert said["state"] == "picked"
    assert floor.picker.ok("GET", f"/v1/pick-lists/{task['id']}")["state"] == "done"
    assert floor.picker.made("/v1/pick-lists/next") is None


def test_picked_cases_nobody_wants_are_put_back_by_hand(
    floor: Floor,
) -> None:
    first, _, _, ale = floor.lots
    order_id = floor.order((floor.beer, 20), (floor.ale, 5))
    floor.allocate(order_id)
    for pick in floor.taken(order_id)["picks"]:
        assert floor.pick(pick).status_code == 200
    serving = floor.office.ok("GET", f"/v1/orders/{order_id}")["allocations"]
    built = next(one["sscc"] for one in serving if one["lot_code"] == first)
    said = floor.amend(order_id, line(1, 12))
    assert [(one["cases"], one["was"], one["is_free"]) for one in said["given_back"]] == [
        (8, "picked", False)
    ]
    assert floor.held(order_id, "surplus") == {first: 8}
    # Wanted again before anybody went: nothing has to be done.
    floor.amend(order_id, line(1, 15))
    assert (floor.held(order_id, "picked"), floor.held(order_id, "surplus")) == (
        {first: 15, ale: 5},
        {first: 5},
    )
    [task] = floor.picker.ok("GET", "/v1/put-backs")["items"]
    assert (task["cases"], task["sscc"], task["lot_code"]) == (5, built, first)
    path = f"/v1/put-backs/{task['id']}/confirm"
    pallet = floor.office.ok("GET", "/v1/units")["items"][1]["sscc"]
    floor.picker.refused(path, {"scan": pallet}, 409, "wrong-unit")
    done = floor.picker.made(path, {"scan": task["sscc"]})
    assert (done["cases"], done["from_sscc"]) == (5, task["sscc"])
    unit = floor.office.ok("GET", f"/v1/units/{done['to_sscc']}")
    assert (unit["state"], unit["contents"][0]["cases"], unit["contents"][0]["reserved_cases"]) == (
        "in_store",
        5,
        0,
    )
    floor.picker.refused(path, {"scan": task["sscc"]}, 409, "put-back-done")
    assert floor.picker.ok("GET", "/v1/put-backs")["items"] == []
    floor.agrees()
    # The freed cases serve the next order like any others, the opened unit first.
    assert floor.allocate(floor.order((floor.beer, 4))) == {first: 4}
    floor.office.made(f"/v1/orders/{order_id}/cancel", {"reason": WHY})
    floor.agrees()


def test_what_a_change_left_on_a_planned_unit_or_moved_to_another_day_is_not_loaded(api: Api) -> None:
    made = furnish(api, NOW, "N", "9521234")
    path, load = f"/v1/orders/{made['order_id']}", f"/v1/trips/{made['trip_id']}/load"
    scan, now = {"scan": made["sscc"]}, {"If-Match": "*"}
    api.ok("PATCH", path, {"lines": [line(1, 40)], "reason": WHY}, headers=now)
    problem = api.refused(load, scan, 409, "surplus-on-unit")
    assert problem["data"]["cases"] == 8
    tomorrow = str(TODAY + timedelta(days=1))
    moved = {"ship_on": tomorrow, "deliver_on": tomorrow, "lines": [line(1, 48)], "reason": WHY}
    api.ok("PATCH", path, moved, headers=now)
    api.refused(load, scan, 409, "order-moved")
    api.ok("PATCH", path, {"ship_on": str(TODAY), "reason": WHY}, headers=now)
    api.made(load, scan)
    gone = api.request("PATCH", path, json={"priority": 1, "reason": WHY}, headers=now)
    assert (gone.status_code, "off the truck" in gone.json()["detail"]) == (409, True)


def test_a_whole_pallet_nobody_wants_is_stock_again_where_it_stands(floor: Floor) -> None:
    first, *_ = floor.lots
    order_id = floor.order((floor.beer, 48), (floor.ale, 5))
    floor.allocate(order_id)
    for pick in floor.taken(order_id)["picks"]:
        assert floor.pick(pick).status_code == 200
    said = floor.amend(order_id, line(1, 0))
    [given] = said["given_back"]
    assert (given["lot_code"], given["was"], given["is_free"]) == (first, "picked", True)
    unit = floor.office.ok("GET", f"/v1/units/{given['sscc']}")
    assert (unit["state"], unit["zone_id"]) == ("in_store", floor.staging_id)
    # Picked up again for somebody else, the order that gave it up keeps none of it.
    assert floor.allocate(floor.order((floor.beer, 48))) == {first: 48}
    floor.office.made(f"/v1/orders/{order_id}/cancel", {"reason": WHY})
    floor.agrees()


def test_another_day_sends_back_what_no_longer_fits(floor: Floor) -> None:
    first, second, third, _ = floor.lots
    customer = floor.customer(min_life_days=50)
    order_id = floor.order((floor.beer, 60), customer=customer)
    assert floor.allocate(order_id) == {first: 48, second: 12}
    # 60 days from today are 50 left on day 10, the boundary day counting as enough.
    kept = floor.amend(order_id, deliver_on=str(TODAY + timedelta(days=10)))
    assert kept["given_back"] == []
    said = floor.amend(order_id, deliver_on=str(TODAY + timedelta(days=11)))
    assert [(one["lot_code"], one["cases"]) for one in said["given_back"]] == [(first, 48)]
    assert floor.allocate(order_id) == {second: 60 - 12} | {second: 48, third: 12}
    # A share of the whole life, 30 + 90 days: 0.6 are 72, left on day 18; on day 19 they are not.
    for day, left in ((18, {second: 48, third: 12}), (19, {third: 12})):
        floor.amend(order_id, line(1, min_life_fraction=0.6), deliver_on=str(TODAY + timedelta(days=day)))
        assert floor.held(order_id) == left, day
    assert floor.office.ok("GET", f"/v1/orders/{order_id}")["state"] == "allocated"
    last = floor.amend(order_id, deliver_on=str(TODAY + timedelta(days=119)))
    assert (last["state"], last["allocations"]) == ("open", [])


def test_another_day_may_not_turn_the_sequence_of_dates_around(floor: Floor) -> None:
    first, second, *_ = floor.lots
    customer = floor.customer(no_backward_date=True)
    days = [str(TODAY + timedelta(days=number)) for number in (1, 2, 3)]
    early = floor.order((floor.beer, 48), customer=customer, deliver_on=date.fromisoformat(days[0]))
    late = floor.order((floor.beer, 10), customer=customer, deliver_on=date.fromisoformat(days[1]))
    assert (floor.allocate(early), floor.allocate(late)) == ({first: 48}, {second: 10})
    assert floor.amend(late, deliver_on=days[2])["given_back"] == []
    said = floor.amend(early, deliver_on=str(TODAY + timedelta(days=4)))
    assert [one["lot_code"] for one in said["given_back"]] == [first]
    with floor.database.transaction() as session:
        order_usecases.note_delivered(session, customer.id, floor.beer, TODAY + timedelta(days=100))
    assert floor.amend(late, deliver_on=days[1])["allocations"] == []


def test_picked_goods_that_no_longer_fit_stay_and_are_told(floor: Floor) -> None:
    order_id = floor.order((floor.beer, 48), customer=floor.customer(min_life_days=50))
    floor.allocate(order_id)
    for pick in floor.taken(order_id)["picks"]:
        assert floor.pick(pick).status_code == 200
    said = floor.amend(order_id, deliver_on=str(TODAY + timedelta(days=20)))
    assert (said["state"], said["given_back"]) == ("picked", [])
    assert [(one["lot_code"], one["cases"], one["is_free"]) for one in said["unfit"]] == [
        (floor.lots[0], 48, False)
    ]


def test_a_change_that_cannot_be_meant_changes_nothing(floor: Floor) -> None:
    order_id = floor.order((floor.beer, 48), (floor.ale, 5))
    floor.allocate(order_id)
    path = f"/v1/orders/{order_id}"
    before = floor.office.ok("GET", path)
    for body, fields in (
        ({}, ["body"]),
        ({"lines": []}, ["body"]),
        ({"priority": None}, ["body"]),
        ({"ship_on": "18.03.2026"}, ["ship_on"]),
        ({"deliver_on": str(TODAY - timedelta(days=1))}, ["deliver_on"]),
        ({"drop_id": 4711}, ["drop_id"]),
        ({"lines": [line(1, 0), line(2, 0)]}, ["lines"]),
        ({"lines": [line(1, 5), line(1, 6)]}, ["lines[1].line_no"]),
        ({"lines": [line(1, -5)]}, ["lines[0].cases"]),
        ({"lines": [line(1, 10**6)]}, ["lines[0].cases"]),
        ({"lines": [line(1, product_id=floor.ale)]}, ["lines[0].product_id"]),
        ({"lines": [line(9)]}, ["lines[0].product_id", "lines[0].cases"]),
        ({"lines": [line(9, 4, product_id=4711)]}, ["lines[0].product_id"]),
    ):
        answer = floor.office.request("PATCH", path, json={"reason": WHY, **body}, headers={"If-Match": "*"})
        assert answer.status_code == 422, (body, answer.text)
        assert [fault["field"] for fault in answer.json()["errors"]] == fields, answer.text
        assert all(fault["mend"] for fault in answer.json()["errors"])
    good = {"reason": WHY, "priority": 1}
    assert floor.office.request("PATCH", path, json=good).status_code == 428
    stale = {"If-Match": floor.office.get(path).headers["etag"]}
    floor.amend(order_id, priority=2)
    assert floor.office.request("PATCH", path, json=good, headers=stale).status_code == 412
    assert floor.office.ok("GET", path) == {**before, "priority": 2}
    floor.office.made(f"{path}/cancel", {"reason": WHY})
    over = floor.office.request("PATCH", path, json=good, headers={"If-Match": "*"})
    assert (over.status_code, over.json()["type"]) == (409, "/problems/order-state")
    assert (
        floor.office.request("PATCH", "/v1/orders/4711", json=good, headers={"If-Match": "*"}).status_code
        == 404
    )


def test_released_cases_are_reserved_ones_only_latest_expiry_first(floor: Floor) -> None:
    first, second, third, _ = floor.lots
    order_id = floor.order((floor.beer, 120))
    floor.allocate(order_id)
    task = floor.taken(order_id)
    newest = next(one for one in task["picks"] if one["lot_code"] == third)
    assert floor.pick(newest).status_code == 200
    line_id = floor.office.ok("GET", f"/v1/orders/{order_id}")["lines"][0]["id"]
    with floor.database.transaction() as session:
        given = release_cases(
            session, NOW, floor.api.callers["lead"], line_id, 60, "counted fewer (invented)"
        )
        assert [(one.lot_code, one.cases) for one in given] == [(first, 12), (second, 48)]
    floor.agrees()
    assert floor.held(order_id) == {first: 36, third: 24}
    with floor.database.transaction() as session:
        given = release_cases(session, NOW, floor.api.callers["lead"], line_id, 10**6, "all of it (invented)")
        assert [(one.lot_code, one.cases) for one in given] == [(first, 36)]
    floor.agrees()
    assert floor.office.ok("GET", f"/v1/orders/{order_id}")["state"] == "picked"


def test_a_unit_of_which_nothing_is_wanted_any_more_is_freed_as_a_whole(floor: Floor) -> None:
    """However many changes it took: nobody has to take two leftovers off a pallet that only holds leftovers."""
    first, *_, ale = floor.lots
    order_id = floor.order((floor.beer, 20), (floor.ale, 5))
    floor.allocate(order_id)
    for pick in floor.taken(order_id)["picks"]:
        assert floor.pick(pick).status_code == 200
    floor.amend(order_id, line(1, 0))
    assert floor.held(order_id, "surplus") == {first: 20}
    said = floor.amend(order_id, line(2, 0), line(3, 7, product_id=floor.beer))
    assert [(one["lot_code"], one["cases"], one["is_free"]) for one in said["given_back"]] == [(ale, 5, True)]
    assert (said["state"], said["allocations"]) == ("open", [])
    assert floor.office.ok("GET", "/v1/put-backs")["items"] == []
    # All of it serves others again.
    assert floor.allocate(floor.order((floor.ale, 48))) == {ale: 48}
    floor.agrees()


def test_more_cases_for_a_picked_order_are_in_the_next_wave_of_its_day(floor: Floor) -> None:
    first, second, *_ = floor.lots
    order_id = floor.order((floor.beer, 48), (floor.ale, 60))
    done = floor.order((floor.beer, 10))
    floor.allocate(order_id)
    for pick in floor.taken(order_id)["picks"]:
        assert floor.pick(pick).status_code == 200
    day = {"ship_on": str(TODAY + timedelta(days=1))}

    def wave(path: str = "/v1/allocations") -> dict[int, int]:
        lines = floor.office.made(path, day)["lines"]
        return {one["order_id"]: sum(took["cases"] for took in one["taken"]) for one in lines if one["taken"]}

    # What is known to be short of it is nobody's business but the dispatcher's: named, it is topped up.
    assert wave() == {done: 10}
    assert floor.amend(order_id, line(1, 60))["state"] == "picked"
    assert wave("/v1/allocations/preview") == {order_id: 12}
    assert wave() == {order_id: 12}
    assert floor.office.ok("GET", f"/v1/orders/{order_id}")["state"] == "allocated"
    assert wave() == {}
    assert floor.held(order_id) == {first: 48, second: 12, floor.lots[3]: 48}
    floor.agrees()


def test_a_cancellation_thought_up_for_another_state_is_not_carried_out(floor: Floor) -> None:
    order_id = floor.order((floor.beer, 48))
    path = f"/v1/orders/{order_id}"
    seen = {"If-Match": floor.office.get(path).headers["etag"]}
    floor.amend(order_id, line(1, 60))
    problem = floor.office.refused(f"{path}/cancel", {"reason": WHY}, 412, "changed-meanwhile", headers=seen)
    assert problem["errors"][0]["mend"]
    now = {"If-Match": floor.office.get(path).headers["etag"]}
    assert floor.office.made(f"{path}/cancel", {"reason": WHY}, headers=now)["state"] == "cancelled"
    again = floor.office.refused(f"{path}/cancel", {"reason": WHY}, 409, "order-state")
    assert "already" in again["detail"]


def test_what_comes_on_the_same_day_is_not_backward(floor: Floor) -> None:
    """An order topped up from an older lot that was released meanwhile is one delivery."""
    first, second, *_ = floor.lots
    customer = floor.customer(no_backward_date=True)
    order_id = floor.order((floor.beer, 60), customer=customer)
    lot_id = next(one["id"] for one in floor.office.ok("GET", "/v1/lots")["items"] if one["code"] == first)
    qa = floor.api.as_("qa")
    qa.made(f"/v1/lots/{lot_id}/hold", {"reason": "cap torque (invented)"})
    floor.amend(order_id, line(1, 48))
    assert floor.allocate(order_id) == {second: 48}
    qa.made(f"/v1/lots/{lot_id}/release", {"reason": "good (invented)"})
    floor.amend(order_id, line(1, 60))
    assert floor.allocate(order_id) == {second: 48, first: 12}
    # The same day once more changes nothing, and one day later the older one may not come any more.
    day = TODAY + timedelta(days=1)
    assert floor.amend(order_id, deliver_on=str(day), priority=3)["given_back"] == []
    later = floor.order((floor.beer, 6), customer=customer, deliver_on=day + timedelta(days=1))
    assert floor.allocate(later) == {floor.lots[2]: 6}
    floor.agrees()


@pytest.mark.parametrize("what", ["amend", "cancel"])
def test_a_big_order_changes_in_as_many_statements_as_a_small_one(floor: Floor, what: str) -> None:
    """More lines cost no more questions to the database."""
    customer = floor.customer(min_life_days=20, no_backward_date=True)
    far = {"deliver_on": TODAY + timedelta(days=200)}
    caller, counts = floor.api.callers["dispatcher"], []
    for lines in (2, 9):
        order_id = floor.order(
            customer=customer, lines=[NewLine(number, floor.beer, 12) for number in range(1, lines + 1)]
        )
        floor.allocate(order_id)
        sent: list[str] = []

        def note(_c: object, _cursor: object, sql: str, *_: object, sent: list[str] = sent) -> None:
            sent.append(sql)

        listen(floor.database.engine, "before_cursor_execute", note)
        with floor.database.transaction() as session:
            if what == "cancel":
                cancel_order(session, NOW, caller, order_id=order_id, reason=WHY)
            else:
                change = OrderChange(dict(far))
                done = amend_order(session, NOW, caller, order_id=order_id, change=change, reason=WHY)
                assert sum(one.cases for one in done.given_back) == 12 * lines
            counts.append(len(sent))
        remove(floor.database.engine, "before_cursor_execute", note)
        floor.agrees()
    assert counts[0] == counts[1], counts
