"""Counting through HTTP: blind, against the record of its moment, and what a difference does to orders."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from threading import Barrier, Thread
from time import monotonic
from typing import Any

import pytest
from sqlalchemy import func, select, text
from sqlmodel import SQLModel, col

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone, new_sscc
from builders.store import PROFILE, stamp
from rimekeep.access.core.roles import Caller
from rimekeep.picking import queries
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, broken_links
from rimekeep.stock import queries as stock_queries
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.tables import Bay, Lot, Unit

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()


@dataclass
class Floor:
    """A room with four bays, one lot in each of the first two; the lead, a counter, a second one."""

    api: Api
    clock: Any
    database: Database
    caller: Caller
    zone_id: int
    product_id: int
    bays: list[Bay]
    lots: list[Lot]
    units: list[Unit]

    def order(self, cases: int, days: int = 1) -> int:
        order_id = self.place(cases, days)
        self.api.made("/v1/allocations", {"order_ids": [order_id]})
        return order_id

    def place(self, cases: int, days: int = 1) -> int:
        """Place an order nothing is reserved for yet."""
        with self.database.transaction() as session:
            customer = make_customer(session, NOW, self.caller)
            day = TODAY + timedelta(days=days)
            order_id: int = make_order(
                session, NOW, self.caller, {self.product_id: cases}, customer, ship_on=day, deliver_on=day
            ).id
        return order_id

    def pick(self, order_id: int) -> list[tuple[str, dict[str, Any]]]:
        """Take the order's list; return the address and body of each confirmation."""
        self.api.made("/v1/pick-lists", {"order_ids": [order_id]})
        return self.confirmations(self.api.as_("picker").made("/v1/pick-lists/next"))

    def confirmations(self, task: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
        """Return the address and body of each confirmation of a list."""
        codes = {bay.code: bay.check_code for bay in self.bays}
        return [
            (
                f"/v1/picks/{one['id']}/confirm",
                {"scan": one["sscc"], "bay_check_code": codes.get(one["bay_code"]), "cases": one["cases"]},
            )
            for one in task["picks"]
        ]

    def confirm(self, picks: list[tuple[str, dict[str, Any]]]) -> None:
        for path, body in picks:
            self.api.as_("picker").made(path, body)

    def have_counted(self, place: int) -> int:
        count_id: int = self.api.as_("lead").made("/v1/counts", {"bay_ids": [self.bays[place].id]})[0]["id"]
        return count_id

    def answer(
        self,
        count_id: int,
        place: int,
        *units: tuple[str, dict[str, int]],
        role: str = "picker",
        ago: float = 0,
    ) -> dict[str, Any]:
        """Take what is to be counted as ``role`` and answer this one."""
        self.api.as_(role).made("/v1/counts/next", {})
        body = {
            "bay_check_code": self.bays[place].check_code,
            "counted_s_ago": ago,
            "units": [
                {"scan": sscc, "lots": [{"lot": lot, "cases": cases} for lot, cases in lots.items()]}
                for sscc, lots in units
            ],
        }
        answer: dict[str, Any] = self.api.as_(role).made(f"/v1/counts/{count_id}/answer", body)
        return answer

    def approve(self, count_id: int) -> dict[str, Any]:
        done: dict[str, Any] = self.api.as_("lead").made(
            f"/v1/counts/{count_id}/approve", {"reason": "counted twice (invented)"}
        )
        return done

    def shown(self, count_id: int) -> dict[str, Any]:
        return self.api.as_("lead").ok("GET", f"/v1/counts/{count_id}")  # type: ignore[no-any-return]

    def findings(self, count_id: int) -> list[str]:
        shown = self.shown(count_id)
        return [line["finding"] for line in shown["lines"] if line["round"] == shown["round"]]

    def unit(self, place: int) -> dict[str, Any]:
        return self.api.ok("GET", f"/v1/units/{self.units[place].sscc}")  # type: ignore[no-any-return]

    def cases(self, place: int) -> int:
        return sum(one["cases"] for one in self.unit(place)["contents"])

    def agrees(self) -> None:
        with self.database.transaction() as session:
            site = self.caller.site_id
            assert list(queries.reservations_that_disagree(session, site)) == []
            assert list(stock_queries.stays_that_disagree(session, site)) == []
            assert list(broken_links(session, site)) == []


@pytest.fixture
def floor(api: Api, clock: Any, database: Database) -> Floor:
    """Two pallets of 48 cases of two lots of one product; the first expires first."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, caller)
        product = make_product(session, NOW, caller)
        bays = [
            make_bay(session, NOW, caller, zone, aisle=1 + place % 2, slot=1 + place) for place in range(4)
        ]
        lots = [
            make_lot(
                session,
                NOW,
                caller,
                product,
                code=f"LOT{place}",
                best_before_on=TODAY + timedelta(days=60 + place),
            )
            for place in range(2)
        ]
        units = [make_unit(session, NOW, caller, lots[place], bay=bays[place]) for place in range(2)]
    person = api.made("/v1/devices", {"name": "second counter (invented)", "roles": ["picker"]})
    api.tokens["second"] = person["token"]
    clock.now = NOW
    return Floor(api, clock, database, caller, zone.id, product.id, bays, lots, units)


def test_a_count_is_blind_walks_the_short_way_and_ends_where_it_agrees(floor: Floor) -> None:
    made = floor.api.as_("lead").made("/v1/counts", {"how_many": 10})
    assert len(made) == 4
    assert [one["score"] for one in made] == sorted((one["score"] for one in made), reverse=True)
    assert all(one["reasons"] for one in made)
    walk = floor.api.as_("picker").made("/v1/counts/next", {})
    # Bays 1 and 3 in aisle 1, 2 and 4 in aisle 2, pitch 1 m, aisles 4 m apart, 1.5 m to the first slot: up
    # aisle 1, over the back, down aisle 2 is 2 · 4 m across and 2 · (4 + 2 · 1.5) m along.
    assert walk["walk_m"] == pytest.approx(22.0)
    assert [one["aisle"] for one in walk["counts"]] in ([1, 1, 2, 2], [2, 2, 1, 1])
    told = {name for one in walk["counts"] for name in one}
    assert not told & {"cases", "recorded_cases", "lines", "contents", "score", "reasons"}
    # Asked again, one gets back what one has; another counter gets nothing.
    assert floor.api.as_("picker").made("/v1/counts/next", {})["counts"] == walk["counts"]
    assert floor.api.as_("second").made("/v1/counts/next", {})["counts"] == []
    first = next(one["id"] for one in walk["counts"] if one["bay_id"] == floor.bays[0].id)
    path = f"/v1/counts/{first}/answer"
    found = {"bay_check_code": "wrong", "units": []}
    floor.api.as_("picker").refused(path, found, 409, "wrong-bay")
    floor.api.as_("second").refused(path, {**found, "bay_check_code": "1"}, 409, "count-not-yours")
    answer = floor.answer(first, 0, (floor.units[0].sscc, {"LOT0": 48}))
    assert (answer["state"], set(answer)) == ("done", {"id", "state", "round", "told"})
    assert floor.findings(first) == ["agrees"]
    # Whoever may count may not look up what is on record.
    assert floor.api.as_("picker").get(f"/v1/counts/{first}").status_code == 403
    # Just counted: now the bay is the last anybody would count of those with stock.
    again = floor.api.as_("lead").made("/v1/counts", {"how_many": 1})
    assert [one["bay_id"] for one in again] == [floor.bays[0].id]
    floor.agrees()


def test_a_large_difference_is_counted_by_somebody_else_before_the_lead_decides(floor: Floor) -> None:
    count_id = floor.have_counted(0)
    answer = floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 30}))
    assert (answer["state"], answer["round"]) == ("open", 2)
    floor.api.as_("lead").refused(
        f"/v1/counts/{count_id}/approve", {"reason": "too soon"}, 409, "count-not-waiting"
    )
    assert floor.api.as_("picker").made("/v1/counts/next", {})["counts"] == []
    answer = floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 44}), role="second")
    assert answer["state"] == "waiting"
    done = floor.approve(count_id)
    assert [line["adjusted_cases"] for line in done["lines"]] == [None, -4]
    assert floor.cases(0) == 44
    with floor.database.transaction(readonly=True) as session:
        event = session.scalars(select(LedgerEvent).where(col(LedgerEvent.kind) == "cases.adjusted")).one()
        assert (event.cases, event.reason) == (-4, "counted twice (invented)")
    # A small one goes to the lead at once, who may let the record stand, or have it counted once more.
    count_id = floor.have_counted(1)
    assert floor.answer(count_id, 1, (floor.units[1].sscc, {"LOT1": 50}))["state"] == "waiting"
    again = floor.api.as_("lead").made(f"/v1/counts/{count_id}/again", {"reason": "two too many?"})
    assert (again["state"], again["round"]) == ("open", 2)
    assert floor.answer(count_id, 1, (floor.units[1].sscc, {"LOT1": 50}), role="second")["state"] == "waiting"
    floor.api.as_("lead").made(f"/v1/counts/{count_id}/dismiss", {"reason": "two belong to the next bay"})
    assert floor.cases(1) == 48
    floor.agrees()


def test_fewer_than_reserved_takes_from_the_latest_need_and_serves_it_anew(floor: Floor) -> None:
    soon, later = floor.order(20, days=1), floor.order(20, days=3)
    started = floor.pick(later)  # being in a picker's hands does not make it the earlier need
    assert len(started) == 1
    floor.api.as_("picker").made(f"/v1/pick-lists/{_list_of(floor, later)}/hand-back")
    count_id = floor.have_counted(0)
    assert floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 26}))["round"] == 2
    assert floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 26}), role="second")["state"] == "waiting"
    done = floor.approve(count_id)
    # 40 were reserved, 26 are there: 14 are given back, all of the later order's.
    assert [(one["cases"], one["lot_code"]) for one in done["given_back"]] == [(14, "LOT0")]
    assert done["order_ids"] == [later]
    serving = {
        order_id: sorted(
            (one["lot_code"], one["cases"])
            for one in floor.api.ok("GET", f"/v1/orders/{order_id}")["allocations"]
        )
        for order_id in (soon, later)
    }
    assert serving == {soon: [("LOT0", 20)], later: [("LOT0", 6), ("LOT1", 14)]}
    # The other pallet is not there either: now the line is short, and the order says why.
    count_id = floor.have_counted(1)
    floor.answer(count_id, 1)
    assert floor.unit(1)["qa_state"] == "held"
    floor.answer(count_id, 1, role="second")
    floor.approve(count_id)
    line = floor.api.ok("GET", f"/v1/orders/{later}")["lines"][0]
    assert (line["short"]["cases"], line["short"]["reason"]) == (14, "no_stock")
    assert floor.unit(1)["state"] == "empty"
    floor.agrees()


def _list_of(floor: Floor, order_id: int) -> int:
    lists = floor.api.ok("GET", f"/v1/pick-lists?order_id={order_id}")["items"]
    return max(one["id"] for one in lists if one["state"] == "taken")


def test_a_unit_counted_to_nothing_is_found_again_with_its_history(floor: Floor) -> None:
    count_id = floor.have_counted(0)
    floor.answer(count_id, 0)
    floor.answer(count_id, 0, role="second")
    floor.approve(count_id)
    assert floor.unit(0)["state"] == "empty"
    floor.clock.now = NOW + timedelta(hours=5)
    # It turns up in another bay, with fewer cases than it had.
    count_id = floor.have_counted(2)
    found = (floor.units[0].sscc, {"LOT0": 40})
    assert floor.answer(count_id, 2, found)["round"] == 2
    assert floor.answer(count_id, 2, found, role="second")["state"] == "waiting"
    assert floor.findings(count_id) == ["found again", "more"]
    floor.approve(count_id)
    unit = floor.unit(0)
    assert (unit["state"], unit["bay_code"], unit["qa_state"]) == ("in_store", floor.bays[2].code, "released")
    assert floor.cases(0) == 40
    with floor.database.transaction(readonly=True) as session:
        stays = session.execute(
            text("SELECT COUNT(*), COUNT(left_at) FROM stay WHERE unit_id = :unit"),
            {"unit": floor.units[0].id},
        ).one()
    assert tuple(stays) == (1, 0)  # one stay without a gap: it stood in the room all the time
    floor.agrees()
    # The plain correction finds it again, too.
    path = f"/v1/units/{floor.units[0].sscc}/adjust"
    content = unit["contents"][0]["id"]
    floor.api.as_("lead").made(path, {"content_id": content, "cases": 0, "reason": "all gone"})
    assert floor.unit(0)["state"] == "empty"
    floor.api.as_("lead").made(path, {"content_id": content, "cases": 7, "reason": "behind the rack"})
    assert (floor.unit(0)["state"], floor.cases(0)) == ("in_store", 7)
    floor.agrees()


def test_what_was_lost_for_a_while_has_aged_like_its_neighbour(floor: Floor) -> None:
    qa = floor.api.as_("qa")
    quick = {**PROFILE["routes"][0], "reference_life_days": 2}
    qa.made(f"/v1/products/{floor.product_id}/profiles", {**PROFILE, "routes": [quick]})
    with floor.database.transaction() as session:
        twin = make_unit(session, NOW, floor.caller, floor.lots[0], bay=floor.bays[0])
    sensor = {"code": "room-air", "zone_id": floor.zone_id, "interval_s": 3600}
    floor.api.made("/v1/sensors", sensor)
    floor.clock.now = NOW + timedelta(hours=30)
    air = [
        {"sensor": "room-air", "at": stamp(NOW + timedelta(hours=hour)), "temp": 4.0 + hour % 7}
        for hour in range(-24, 30)
    ]
    floor.api.made("/v1/readings", {"readings": air})
    path = f"/v1/units/{floor.units[0].sscc}/adjust"
    content = {"content_id": floor.unit(0)["contents"][0]["id"]}
    lead = floor.api.as_("lead")
    lead.made("/v1/life/refresh", {})
    lead.made(path, {**content, "cases": 0, "reason": "not found"})
    for hours in (31, 40):
        floor.clock.now = NOW + timedelta(hours=hours)
        lead.made("/v1/life/refresh", {})
    lead.made(path, {**content, "cases": 48, "reason": "found behind the rack"})
    lead.made("/v1/life/refresh", {})
    found, beside = (
        floor.api.ok("GET", f"/v1/units/{sscc}/life") for sscc in (floor.units[0].sscc, twin.sscc)
    )
    assert aged(found) == aged(beside)
    (life,) = found["lives"]
    assert life["limited_by"] == "staling"
    # Stored within the hour the refresh writes by.
    stored = [
        datetime.fromisoformat(life["packs"][0]["stored_expires_at"]),
        datetime.fromisoformat(life["expires_at"]),
    ]
    assert abs(stored[0] - stored[1]) <= timedelta(hours=1)


def aged(life: Any) -> Any:
    """Return a unit's life without what tells it from another."""
    if isinstance(life, dict):
        own = ("content_id", "unit_id", "sscc", "stored_as_of_at")
        return {name: aged(value) for name, value in life.items() if name not in own}
    return [aged(one) for one in life] if isinstance(life, list) else life


def test_what_stands_in_the_wrong_bay_is_moved_there_and_its_picks_with_it(floor: Floor) -> None:
    order_id = floor.order(5)
    floor.api.made("/v1/pick-lists", {"order_ids": [order_id]})
    stranger = new_sscc()
    count_id = floor.have_counted(3)
    answer = floor.answer(
        count_id, 3, (floor.units[0].sscc, {"LOT0": 48}), (stranger, {"LOT0": 3}), role="lead"
    )
    assert answer["state"] == "waiting"
    assert floor.findings(count_id) == ["wrong bay", "agrees", "unknown unit"]
    floor.approve(count_id)
    assert floor.unit(0)["bay_code"] == floor.bays[3].code
    (task,) = floor.api.ok("GET", f"/v1/pick-lists?order_id={order_id}")["items"]
    assert [one["bay_code"] for one in task["picks"]] == [floor.bays[3].code]
    # A lot nobody knew to be on the pallet, by the label of a case.
    count_id = floor.have_counted(3)
    gtin = floor.api.ok("GET", f"/v1/products/{floor.product_id}")["gtin"]
    found = (floor.units[0].sscc, {"LOT0": 48, f"01{gtin}10LOT1": 2})
    assert floor.answer(count_id, 3, found, role="lead")["state"] == "waiting"
    floor.approve(count_id)
    assert [(one["lot_code"], one["cases"]) for one in floor.unit(0)["contents"]] == [
        ("LOT0", 48),
        ("LOT1", 2),
    ]
    # A lot nobody has heard of is no answer.
    count_id = floor.have_counted(3)
    floor.api.as_("lead").made("/v1/counts/next", {})
    body = {
        "bay_check_code": floor.bays[3].check_code,
        "units": [{"scan": floor.units[0].sscc, "lots": [{"lot": "NOSUCH", "cases": 1}]}],
    }
    problem = floor.api.as_("lead").refused(f"/v1/counts/{count_id}/answer", body, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "units[0].lots[0].lot"
    floor.agrees()


def test_a_short_pick_s_hold_ends_with_the_count(floor: Floor) -> None:
    order_id = floor.order(10)
    ((path, body),) = floor.pick(order_id)
    short = {**body, "cases_found": 8, "reason": "two were broken"}
    del short["cases"]
    floor.api.as_("picker").made(path.replace("confirm", "short"), short)
    assert floor.unit(0)["qa_state"] == "held"
    # It is what is most worth counting now.
    made = floor.api.as_("lead").made("/v1/counts", {"how_many": 1})[0]
    assert made["bay_id"] == floor.bays[0].id
    # Two were missing of 48 when eight were taken.
    assert floor.answer(made["id"], 0, (floor.units[0].sscc, {"LOT0": 38}))["state"] == "waiting"
    floor.approve(made["id"])
    unit = floor.unit(0)
    assert (unit["qa_state"], floor.cases(0)) == ("released", 38)
    floor.agrees()


def confirmed_before_the_answer(floor: Floor, picks: Any, answer: Callable[[], Any]) -> Any:
    floor.confirm(picks)
    return answer()


def confirmed_after_the_answer(floor: Floor, picks: Any, answer: Callable[[], Any]) -> Any:
    told = answer()
    floor.confirm(picks)
    return told


@pytest.mark.parametrize("confirmed", [confirmed_before_the_answer, confirmed_after_the_answer])
@pytest.mark.parametrize(
    ("counted", "state", "finding"),
    # Ten of 48 are being picked. All 48 were seen: taken afterwards. 38: taken before. Both agree. 36 cannot
    # be told from a loss of two, or of twelve with ten still to be taken: it has to be counted again.
    [(48, "done", "agrees"), (38, "done", "in hand"), (36, "open", "unclear")],
)
def test_a_pick_confirmed_during_a_count_is_neither_lost_nor_subtracted_twice(
    floor: Floor, confirmed: Any, counted: int, state: str, finding: str
) -> None:
    picks = floor.pick(floor.order(10))
    count_id = floor.have_counted(0)
    floor.clock.now = NOW + timedelta(minutes=2)

    def answer() -> Any:
        # Counted a minute and a half ago, sent only now.
        return floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": counted}), role="second", ago=90)

    assert confirmed(floor, picks, answer)["state"] == state
    assert floor.shown(count_id)["lines"][0]["finding"] == finding
    assert floor.cases(0) == 38
    if state == "open":
        floor.clock.now = NOW + timedelta(minutes=10)
        assert floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 36}))["state"] == "waiting"
        # Of what was found before the second count, five more are picked before the lead has looked.
        later = floor.order(5)
        floor.clock.now = NOW + timedelta(minutes=12)
        floor.confirm(floor.pick(later))
        floor.approve(count_id)
        assert floor.cases(0) == 31
    floor.agrees()


def test_picks_confirmed_while_counts_are_answered_and_approved_lose_nothing(floor: Floor) -> None:
    """Both at once, over and over: what is on record is what came, less what was picked and adjusted."""
    rounds = 6
    barrier = Barrier(2)
    wrong: list[str] = []

    def insist(role: str, path: str, body: object = None) -> Any:
        """Ask again while QA holds the pallet, as it does from a count that misses it until that is dismissed."""
        deadline = monotonic() + 120
        while True:
            answer = floor.api.as_(role).post(path, body)
            if answer.status_code < 300:
                return answer.json()
            if not answer.json()["type"].endswith("/stock-held") or monotonic() > deadline:
                wrong.append(answer.text)
                return None

    def pickers() -> None:
        barrier.wait()
        for _ in range(rounds):
            order_id, task = floor.place(3), None
            insist("lead", "/v1/allocations", {"order_ids": [order_id]})
            insist("lead", "/v1/pick-lists", {"order_ids": [order_id]})
            # A list that somebody else has locked at this moment is passed over; it is there at another look.
            deadline = monotonic() + 120
            while task is None and monotonic() < deadline:
                task = insist("picker", "/v1/pick-lists/next")
            for path, body in floor.confirmations(task):
                insist("picker", path, body)

    def counters() -> None:
        barrier.wait()
        for _ in range(rounds):
            count_id = floor.have_counted(0)
            answer = floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 47}), role="second")
            lead = floor.api.as_("lead")
            if answer["state"] == "waiting":
                told = lead.post(f"/v1/counts/{count_id}/approve", {"reason": "one is broken"})
                if told.status_code not in (200, 409, 422):
                    wrong.append(told.text)
                if told.status_code != 200:
                    lead.made(f"/v1/counts/{count_id}/dismiss", {"reason": "counted too late"})
            elif answer["state"] == "open":
                lead.made("/v1/counts/next", {})
                lead.made(
                    f"/v1/counts/{count_id}/answer",
                    {"bay_check_code": floor.bays[0].check_code, "units": []},
                )
                lead.made(f"/v1/counts/{count_id}/dismiss", {"reason": "counted too late"})

    threads = [Thread(target=pickers), Thread(target=counters)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    with floor.database.transaction(readonly=True) as session:
        adjusted = session.scalar(
            select(func.coalesce(func.sum(col(LedgerEvent.cases)), 0)).where(
                col(LedgerEvent.kind) == "cases.adjusted"
            )
        )
        content = SQLModel.metadata.tables["unit_content"]
        total = session.scalar(select(func.sum(content.c.cases)))
        taken = session.scalar(select(func.sum(content.c.cases)).where(content.c.parent_id.is_not(None)))
    assert total == 96 + adjusted
    assert taken == 3 * rounds
    floor.agrees()


def test_an_answer_names_each_pallet_once_and_by_its_sscc(floor: Floor) -> None:
    count_id = floor.have_counted(0)
    picker = floor.api.as_("picker")
    picker.made("/v1/counts/next", {})
    path, code = f"/v1/counts/{count_id}/answer", floor.bays[0].check_code
    good = {"scan": floor.units[0].sscc, "lots": [{"lot": "LOT0", "cases": 48}]}
    gtin = floor.api.ok("GET", f"/v1/products/{floor.product_id}")["gtin"]
    for units, field in (
        ([good, good], "units[1].scan"),
        ([{**good, "scan": gtin}], "units[0].scan"),
        ([{**good, "lots": [*good["lots"], *good["lots"]]}], "units[0].lots[1].lot"),
    ):
        problem = picker.refused(path, {"bay_check_code": code, "units": units}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
    # Handed back, it is nobody's; a silent counter's is free after the lease.
    picker.made(f"/v1/counts/{count_id}/hand-back")
    picker.refused(path, {"bay_check_code": code, "units": [good]}, 409, "count-not-yours")
    picker.made("/v1/counts/next", {})
    floor.clock.now = NOW + timedelta(hours=2)
    assert [one["id"] for one in floor.api.as_("second").made("/v1/counts/next", {})["counts"]] == [count_id]
    with floor.database.transaction() as session:
        stock_usecases.hold_unit(session, NOW, floor.caller, unit_id=floor.units[0].id, reason="seal broken")
    # A hold of QA's for another reason is not ended by counting.
    assert floor.answer(count_id, 0, (floor.units[0].sscc, {"LOT0": 48}), role="second")["state"] == "done"
    assert floor.unit(0)["qa_state"] == "held"


@pytest.mark.slow
def test_pickers_a_counter_and_the_lead_at_one_pallet_never_wait_in_a_circle(floor: Floor) -> None:
    """Three pickers, and a count approved again and again that takes from what is reserved on the same pallet."""
    with floor.database.transaction() as session:
        big = make_unit(session, NOW, floor.caller, floor.lots[0], bay=floor.bays[2], cases=600)
    for name in ("p1", "p2", "p3"):
        made = floor.api.made("/v1/devices", {"name": f"{name} (invented)", "roles": ["picker"]})
        floor.api.tokens[name] = made["token"]
    order_ids = [floor.order(5, days=1 + number % 3) for number in range(60)]
    floor.api.made("/v1/pick-lists", {"order_ids": order_ids})
    codes = {bay.code: bay.check_code for bay in floor.bays}
    wrong: list[str] = []
    done = [0]

    def pick(name: str) -> None:
        device = floor.api.as_(name)
        while task := device.made("/v1/pick-lists/next"):
            for one in task["picks"]:
                if one["state"] != "open":
                    continue
                body = {"scan": one["sscc"], "bay_check_code": codes[one["bay_code"]], "cases": one["cases"]}
                answer = device.post(f"/v1/picks/{one['id']}/confirm", body)
                if answer.status_code >= 500:
                    wrong.append(answer.text)
                if answer.status_code == 200:
                    done[0] += 1
                elif "gone" not in answer.text:
                    short = {"cases_found": 0, "reason": "count came between"}
                    device.post(f"/v1/picks/{one['id']}/short", short)

    def count() -> None:
        lead, counter = floor.api.as_("lead"), floor.api.as_("second")
        for _ in range(12):
            made = lead.post("/v1/counts", {"bay_ids": [floor.bays[2].id, floor.bays[0].id]})
            wrong.extend([made.text] if made.status_code >= 500 else [])
            for role in (counter, lead):
                for one in role.made("/v1/counts/next", {})["counts"]:
                    bay = next(bay for bay in floor.bays if bay.id == one["bay_id"])
                    unit = big if bay.id == floor.bays[2].id else floor.units[0]
                    shown = floor.api.ok("GET", f"/v1/units/{unit.sscc}")["contents"]
                    seen = max(0, sum(one["cases"] for one in shown) - 9)
                    body = {
                        "bay_check_code": bay.check_code,
                        "units": [{"scan": unit.sscc, "lots": [{"lot": "LOT0", "cases": seen}]}],
                    }
                    answer = role.post(f"/v1/counts/{one['id']}/answer", body)
                    wrong.extend([answer.text] if answer.status_code >= 500 else [])
            for one in lead.ok("GET", "/v1/counts?state=waiting")["items"]:
                answer = lead.post(f"/v1/counts/{one['id']}/approve", {"reason": "nine fewer"})
                wrong.extend([answer.text] if answer.status_code >= 500 else [])
                lead.post(f"/v1/counts/{one['id']}/dismiss", {"reason": "counted too late"})

    threads = [Thread(target=pick, args=(name,)) for name in ("p1", "p2", "p3")] + [Thread(target=count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert done[0] > 10
    with floor.database.transaction(readonly=True) as session:
        changes = session.scalars(
            select(LedgerEvent.cases).where(col(LedgerEvent.kind) == "cases.adjusted")  # type: ignore[call-overload]
        ).all()
        total = session.scalar(select(func.sum(SQLModel.metadata.tables["unit_content"].c.cases)))
    assert changes
    assert total == 48 + 48 + 600 + sum(changes)
    floor.agrees()
