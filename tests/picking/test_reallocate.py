"""Stock that stops being good for its line: the line gets other stock, the picker is told, the books agree."""

from __future__ import annotations

import threading
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import insert, select, text
from sqlmodel import SQLModel

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.picking import jobs, queries
from rimekeep.picking.core.records import Reallocated
from rimekeep.picking.usecases import reallocate
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, broken_links
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.tables import Lot, Unit

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()


@dataclass
class Floor:
    """One product in a room; the office and one picker."""

    api: Api
    database: Database
    caller: Caller
    product_id: int
    zone_id: int

    def run(self, act: Any, *args: Any, **kwargs: Any) -> Any:
        with self.database.transaction() as session:
            return act(session, *args, **kwargs)

    def lot(
        self, code: str, days_left: int, *pallets: int, zone_id: int | None = None, **facts: Any
    ) -> tuple[Lot, list[Unit]]:
        with self.database.transaction() as session:
            lot = make_lot(
                session, NOW, self.caller, product_id=self.product_id, code=code, best_before_on=TODAY + timedelta(days=days_left), **facts
            )  # fmt: skip
            return lot, [
                make_unit(session, NOW, self.caller, lot, cases=cases, zone_id=zone_id or self.zone_id)
                for cases in pallets
            ]

    def order(self, cases: int, **rules: Any) -> int:
        """Place and allocate an order of so many cases for a customer with these rules."""
        with self.database.transaction() as session:
            customer = make_customer(session, NOW, self.caller, **rules)
            order_id: int = make_order(session, NOW, self.caller, {self.product_id: cases}, customer).id
        self.api.made("/v1/allocations", {"order_ids": [order_id]})
        return order_id

    def lists(self, *order_ids: int) -> list[dict[str, Any]]:
        return self.api.made("/v1/pick-lists", {"order_ids": list(order_ids)})  # type: ignore[no-any-return]

    def show(self, order_id: int) -> dict[str, Any]:
        return self.api.ok("GET", f"/v1/orders/{order_id}")  # type: ignore[no-any-return]

    def list(self, list_id: int) -> dict[str, Any]:
        return self.api.ok("GET", f"/v1/pick-lists/{list_id}")  # type: ignore[no-any-return]

    def notes(self, list_id: int) -> list[tuple[int, str, str]]:
        with self.database.transaction(readonly=True) as session:
            pick = SQLModel.metadata.tables["pick"]
            rows = session.execute(
                select(pick.c.stop, pick.c.state, pick.c.note)
                .where(pick.c.list_id == list_id)
                .order_by(pick.c.stop)
            )
            return [tuple(row) for row in rows]

    def hold(self, lot: Lot) -> None:
        self.run(stock_usecases.hold_lot, NOW, self.caller, lot_id=lot.id, reason="cap torque out of range")

    def recheck(self) -> list[dict[str, Any]]:
        return self.api.as_("lead").made("/v1/allocations/recheck", {})["lines"]  # type: ignore[no-any-return]

    def events(self, kind: str) -> list[dict[str, Any]]:
        with self.database.transaction(readonly=True) as session:
            return [row.data for row in session.scalars(select(LedgerEvent).where(LedgerEvent.kind == kind))]  # type: ignore[arg-type]

    def life(self, unit: Unit, days: float, cautious_days: float | None = None) -> None:
        """Write what a refresh would have: the beer on ``unit`` is over so many days from now."""
        with self.database.transaction() as session:
            content_id = session.scalar(
                text("SELECT id FROM unit_content WHERE unit_id = :unit"), {"unit": unit.id}
            )
            life = SQLModel.metadata.tables["life"]
            session.execute(life.delete().where(life.c.content_id == content_id))
            ends = NOW + timedelta(days=days)
            careful = NOW + timedelta(days=days if cautious_days is None else cautious_days)
            row = {
                "content_id": content_id,
                "site_id": self.caller.site_id,
                "as_of_at": NOW,
                "limited_by": "staling",
            }
            session.execute(insert(life).values(**row, expires_at=ends, cautious_at=careful))

    def agrees(self) -> None:
        with self.database.transaction() as session:
            assert list(queries.reservations_that_disagree(session, self.caller.site_id)) == []
            assert list(broken_links(session, self.caller.site_id)) == []
            assert session.scalar(text("SELECT COUNT(*) FROM unit_content WHERE reserved_cases > cases")) == 0


@pytest.fixture
def floor(api: Api, database: Database) -> Floor:
    caller = api.callers["lead"]
    with database.transaction() as session:
        product, zone = make_product(session, NOW, caller), make_zone(session, NOW, caller)
        make_zone(session, NOW, caller, kind="staging")
    return Floor(api, database, caller, product.id, zone.id)


def lots(shown: dict[str, Any]) -> dict[str, int]:
    found: Counter[str] = Counter()
    for one in shown["allocations"]:
        found[one["lot_code"]] += one["cases"]
    return dict(found)


def test_a_picker_on_the_way_is_told_to_leave_the_held_lot_and_what_to_take_instead(floor: Floor) -> None:
    bad, [pallet] = floor.lot("BAD", 90, 48)
    floor.lot("GOOD", 100, 48, 48)
    order_id = floor.order(60)
    assert lots(floor.show(order_id)) == {"BAD": 48, "GOOD": 12}
    [made] = floor.lists(order_id)
    picker = floor.api.as_("picker")
    taken = picker.made("/v1/pick-lists/next")
    assert taken["id"] == made["id"]
    floor.hold(bad)
    [told] = floor.recheck()
    assert [(one["lot_code"], one["cases"], one["reason"]) for one in told["withdrawn"]] == [
        ("BAD", 48, "held")
    ]
    assert sum(one["cases"] for one in told["line"]["taken"]) == 48
    assert told["line"]["short"] is None
    assert lots(floor.show(order_id)) == {"GOOD": 60}
    notes = floor.notes(made["id"])
    assert [(stop, state) for stop, state, _ in notes] == [
        (1, "withdrawn" if taken["picks"][0]["lot_code"] == "BAD" else "open"),
        (2, "withdrawn" if taken["picks"][1]["lot_code"] == "BAD" else "open"),
        *[(stop, "open") for stop in range(3, len(notes) + 1)],
    ]
    [off] = [one for one in notes if one[1] == "withdrawn"]
    new = [one for one in notes if one[0] > 2]
    stops = ", ".join(str(stop) for stop, _, _ in new)
    assert off[2] == f"Leave pallet {pallet.sscc[-6:]}: lot BAD is on hold. Take stop {stops} instead."
    assert {note for _, _, note in new} == {f"Instead of stop {off[0]}: lot BAD is on hold."}
    floor.agrees()
    # Nothing more to do, said twice.
    assert floor.recheck() == []
    [event] = floor.events("order.reallocated")
    assert [(one["lot_id"], one["cases"], one["reason"]) for one in event["withdrawn"]] == [
        (bad.id, 48, "held")
    ]
    assert sum(one["cases"] for one in event["taken"]) == 48
    with floor.database.transaction(readonly=True) as session:
        outbox = SQLModel.metadata.tables["outbox_message"]
        sent = (
            session.execute(select(outbox.c.data).where(outbox.c.kind == "orders.reallocated"))
            .scalars()
            .all()
        )
    assert [
        (one["withdrawn_cases"], one["replaced_cases"], one["short_cases"]) for one in sent[0]["lines"]
    ] == [(48, 48, 0)]
    # The rest of the list is picked as if nothing had been.
    for pick in floor.list(made["id"])["picks"]:
        if pick["state"] == "open":
            assert pick["lot_code"] == "GOOD"
            picker.made(
                f"/v1/picks/{pick['id']}/confirm", {"scan": f"00{pick['sscc']}", "cases": pick["cases"]}
            )
    assert floor.show(order_id)["state"] == "picked"
    floor.agrees()


def test_work_nobody_has_begun_is_moved(floor: Floor) -> None:
    bad, _ = floor.lot("BAD", 90, 48)
    order_id = floor.order(48)
    [made] = floor.lists(order_id)
    floor.lot("GOOD", 100, 48)
    floor.run(stock_usecases.reject_lot, NOW, floor.caller, lot_id=bad.id, reason="infected (invented)")
    assert jobs.reallocate(floor.database, NOW) == 1
    [pick] = floor.list(made["id"])["picks"]
    assert (pick["id"], pick["lot_code"], pick["state"]) == (made["picks"][0]["id"], "GOOD", "open")
    assert jobs.reallocate(floor.database, NOW) == 0
    floor.agrees()


def test_without_other_stock_the_list_ends_the_line_is_short_and_told_what_would_help(floor: Floor) -> None:
    bad, _ = floor.lot("BAD", 90, 48)
    order_id = floor.order(40)
    floor.lists(order_id)
    taken = floor.api.as_("picker").made("/v1/pick-lists/next")
    floor.hold(bad)
    assert jobs.reallocate(floor.database, NOW) == 1
    assert floor.list(taken["id"])["state"] == "done"
    assert floor.notes(taken["id"])[0][2].endswith("lot BAD is on hold. Nothing replaces it; go on.")
    shown = floor.show(order_id)
    assert (shown["state"], shown["allocations"]) == ("open", [])
    short = shown["lines"][0]["short"]
    assert (short["cases"], short["reason"]) == (40, "held")
    assert [(way["change"], way["cases"], way["lots"]) for way in short["remedies"]] == [
        ("release", 40, [["BAD", 40]]),
        ("make", 40, []),
    ]
    floor.agrees()
    # New stock comes in: the order says so before anybody allocates.
    floor.lot("NEW", 120, 30)
    ways = floor.show(order_id)["lines"][0]["short"]["remedies"]
    assert ways[0]["text"] == "30 cases of lot NEW are free now: allocate again."
    assert floor.api.made("/v1/allocations", {"order_ids": [order_id]})["served_cases"] == 30


def test_what_was_picked_before_stays_and_the_order_ends_with_it(floor: Floor) -> None:
    bad, _ = floor.lot("BAD", 100, 48)
    floor.lot("GOOD", 90, 12)
    order_id = floor.order(20)
    floor.lists(order_id)
    picker = floor.api.as_("picker")
    taken = picker.made("/v1/pick-lists/next")
    good = next(pick for pick in taken["picks"] if pick["lot_code"] == "GOOD")
    picker.made(f"/v1/picks/{good['id']}/confirm", {"scan": f"00{good['sscc']}", "cases": good["cases"]})
    floor.hold(bad)
    floor.recheck()
    shown = floor.show(order_id)
    assert (shown["state"], lots(shown)) == ("picked", {"GOOD": 12})
    assert floor.list(taken["id"])["state"] == "done"
    floor.agrees()


def test_stock_in_another_room_makes_a_list_there(floor: Floor) -> None:
    bad, _ = floor.lot("BAD", 90, 48)
    order_id = floor.order(10)
    floor.lists(order_id)
    taken = floor.api.as_("picker").made("/v1/pick-lists/next")
    other = floor.run(make_zone, NOW, floor.caller)
    floor.lot("GOOD", 100, 48, zone_id=other.id)
    floor.hold(bad)
    floor.recheck()
    assert "It is replaced from another room; go on." in floor.notes(taken["id"])[0][2]
    assert floor.list(taken["id"])["state"] == "done"
    found = floor.api.ok("GET", f"/v1/pick-lists?order_id={order_id}&state=ready")["items"]
    assert [(one["zone_id"], [pick["lot_code"] for pick in one["picks"]]) for one in found] == [
        (other.id, ["GOOD"])
    ]
    floor.agrees()


def test_a_line_whose_stock_aged_is_served_anew_and_lines_that_ask_less_keep_it(floor: Floor) -> None:
    _, [warm] = floor.lot("WARM", 100, 48)
    strict, easy = floor.order(10, min_life_days=60), floor.order(10)
    floor.lot("COLD", 120, 48)
    floor.life(warm, 62)  # delivered tomorrow with 60 days: the last full day is day 61
    assert jobs.reallocate(floor.database, NOW) == 0
    floor.life(warm, 61)
    [told] = floor.recheck()
    assert (told["line"]["order_id"], told["withdrawn"][0]["reason"]) == (strict, "too_old")
    assert (lots(floor.show(strict)), lots(floor.show(easy))) == ({"COLD": 10}, {"WARM": 10})
    floor.agrees()


def test_a_date_that_was_shortened_and_a_cautious_date_count_too(floor: Floor) -> None:
    lot, [unit] = floor.lot("L", 100, 48)
    first = floor.order(5, min_life_days=80)
    day = TODAY + timedelta(days=80)
    floor.run(
        stock_usecases.shorten_best_before,
        NOW,
        floor.caller,
        lot_id=lot.id,
        best_before_on=day,
        reason="haze (invented)",
    )
    assert [one["withdrawn"][0]["reason"] for one in floor.recheck()] == ["too_old"]
    # One day less would do, and the line says so.
    ways = floor.show(first)["lines"][0]["short"]["remedies"]
    assert (ways[0]["change"], ways[0]["amount"], ways[0]["lots"]) == ("accept_less_life", 1, [["L", 5]])
    floor.order(5, min_life_days=40)
    floor.life(unit, 70, 30)
    assert floor.recheck() == []
    floor.run(lambda session: session.execute(text("UPDATE site SET promises_by = 'cautious'")))
    assert [one["withdrawn"][0]["reason"] for one in floor.recheck()] == ["too_old_by_cautious_date"]
    floor.agrees()


def test_a_fraction_of_the_lots_own_life_decides(floor: Floor) -> None:
    # Packaged 20 days ago with 80 left: 100 in all, so 79 % is just kept tomorrow, 80 % is not.
    floor.lot("L", 80, 48, packaged_at=NOW - timedelta(days=20))
    kept, broken = floor.order(5, min_life_fraction=0.79), floor.order(5, min_life_fraction=0.8)
    assert lots(floor.show(kept)) == {"L": 5}
    short = floor.show(broken)["lines"][0]["short"]
    assert (short["reason"], short["remedies"][0]["amount"]) == ("too_old", 1)
    assert floor.recheck() == []


def test_only_the_lead_asks_and_only_for_lines_named(floor: Floor) -> None:
    bad, _ = floor.lot("BAD", 90, 48)
    orders = [floor.order(5), floor.order(5)]
    floor.lot("GOOD", 100, 48)
    floor.hold(bad)
    floor.api.as_("dispatcher").refused("/v1/allocations/recheck", {}, 403, "role-missing")
    line = floor.show(orders[0])["lines"][0]["id"]
    floor.api.as_("lead").made("/v1/allocations/recheck", {"line_ids": [line]})
    assert [lots(floor.show(one)) for one in orders] == [{"GOOD": 5}, {"BAD": 5}]
    floor.api.as_("lead").made("/v1/allocations/recheck", {"line_ids": [987654]})
    floor.recheck()
    assert [lots(floor.show(one)) for one in orders] == [{"GOOD": 5}, {"GOOD": 5}]
    floor.agrees()


@pytest.mark.slow
def test_pickers_go_on_confirming_while_lots_are_stopped_and_lines_served_anew(
    floor: Floor, clock: Any
) -> None:
    """Three pickers, five lots stopped one after another, the job running all the while: no case lost or sold twice."""
    bad = [floor.lot(f"BAD{n}", 60 + n, 12, 12)[0] for n in range(5)]
    for number in range(6):
        floor.lot(f"GOOD{number}", 90 + number, 24, 24)
    orders = [floor.order(11) for _ in range(12)]
    floor.lists(*orders)
    before = floor.run(lambda session: session.scalar(text("SELECT SUM(cases) FROM unit_content")))
    tokens = [
        floor.api.made("/v1/devices", {"name": f"handheld {n}", "roles": ["picker"]})["token"]
        for n in range(3)
    ]
    failures: list[str] = []
    stopped = threading.Event()

    def pick(number: int) -> None:
        other = floor.api.as_(f"handheld {number}")
        for _ in range(200):
            taken = other.made("/v1/pick-lists/next")
            if taken is None:
                return
            for stop in taken["picks"]:
                body = {"scan": f"00{stop['sscc']}", "cases": stop["cases"]}
                answer = other.request("POST", f"/v1/picks/{stop['id']}/confirm", json=body, key=str(uuid4()))
                # Held, withdrawn or moved since: the next look at the list tells.
                if answer.status_code not in (200, 409, 422):
                    failures.append(answer.text)

    def stop_lots() -> None:
        for lot in bad:
            floor.hold(lot)

    def serve_anew() -> None:
        while not stopped.is_set():
            jobs.reallocate(floor.database, NOW)

    for number, token in enumerate(tokens):
        floor.api.tokens[f"handheld {number}"] = token
    workers = [threading.Thread(target=pick, args=(number,)) for number in range(3)]
    workers.append(threading.Thread(target=stop_lots))
    job = threading.Thread(target=serve_anew)
    for thread in (job, *workers):
        thread.start()
    for thread in workers:
        thread.join(120)
    stopped.set()
    job.join(60)
    jobs.reallocate(floor.database, NOW)
    # What waited for a hold to be worked off is picked now.
    pick(0)
    assert failures == []
    floor.agrees()
    shown = [floor.show(one) for one in orders]
    assert {one["state"] for one in shown} == {"picked"}
    assert [sum(lots(one).values()) for one in shown] == [11] * 12
    assert floor.run(lambda session: session.scalar(text("SELECT SUM(cases) FROM unit_content"))) == before


def test_nothing_found_is_nothing_done(floor: Floor) -> None:
    assert floor.run(reallocate, NOW, floor.caller) == Reallocated(())
    assert floor.events("order.reallocated") == []


def test_a_date_that_moves_behind_an_earlier_delivery_is_served_anew(floor: Floor) -> None:
    with floor.database.transaction() as session:
        customer = make_customer(session, NOW, floor.caller, no_backward_date=True)
        orders = [
            make_order(
                session, NOW, floor.caller, {floor.product_id: 10}, customer,
                deliver_on=TODAY + timedelta(days=days),
            ).id
            for days in (1, 1, 3)
        ]  # fmt: skip
    floor.lot("OLD", 90, 20)
    new, _ = floor.lot("NEW", 100, 10)
    floor.api.made("/v1/allocations", {"order_ids": orders})
    assert [lots(floor.show(one)) for one in orders] == [{"OLD": 10}, {"OLD": 10}, {"NEW": 10}]
    floor.lot("NEWER", 120, 10)
    # A day that stays within the sequence changes nothing.
    shorten = stock_usecases.shorten_best_before
    for days in (90, 80):
        day = TODAY + timedelta(days=days)
        floor.run(shorten, NOW, floor.caller, lot_id=new.id, best_before_on=day, reason="haze (invented)")
        told = floor.recheck()
        assert len(told) == (days < 90)
    [again] = told
    assert (again["line"]["order_id"], again["withdrawn"][0]["reason"]) == (
        orders[2],
        "older_than_last_delivered",
    )
    assert "earlier" in again["withdrawn"][0]["text"]
    assert [lots(floor.show(one)) for one in orders] == [{"OLD": 10}, {"OLD": 10}, {"NEWER": 10}]
    assert floor.recheck() == []
    floor.agrees()


def test_what_is_reserved_gives_way_to_what_is_picked_for_a_later_day(floor: Floor) -> None:
    with floor.database.transaction() as session:
        customer = make_customer(session, NOW, floor.caller, no_backward_date=True)
        sooner, later = (
            make_order(
                session, NOW, floor.caller, {floor.product_id: 10}, customer,
                deliver_on=TODAY + timedelta(days=days),
            ).id
            for days in (1, 3)
        )  # fmt: skip
    floor.lot("OLD", 90, 10)
    new, _ = floor.lot("NEW", 100, 10)
    floor.api.made("/v1/allocations", {"order_ids": [sooner, later]})
    floor.lists(later)
    picker = floor.api.as_("picker")
    [stop] = picker.made("/v1/pick-lists/next")["picks"]
    picker.made(f"/v1/picks/{stop['id']}/confirm", {"scan": f"00{stop['sscc']}", "cases": 10})
    floor.lot("OLDER", 70, 10)
    day = TODAY + timedelta(days=80)
    floor.run(
        stock_usecases.shorten_best_before, NOW, floor.caller, lot_id=new.id, best_before_on=day,
        reason="haze (invented)",
    )  # fmt: skip
    [told] = floor.recheck()
    assert (told["line"]["order_id"], told["withdrawn"][0]["reason"]) == (sooner, "newer_than_next_delivery")
    assert [lots(floor.show(one)) for one in (sooner, later)] == [{"OLDER": 10}, {"NEW": 10}]
    assert floor.recheck() == []
    floor.agrees()


def test_a_customer_s_stricter_rule_counts_for_what_is_reserved_and_a_lot_cap_for_what_is_yet_to_be(
    floor: Floor,
) -> None:
    floor.lot("OLD", 60, 5)
    floor.lot("MID", 61, 5)
    order_id = floor.order(10)
    assert lots(floor.show(order_id)) == {"OLD": 5, "MID": 5}
    floor.lot("NEW", 100, 48)
    path = f"/v1/customers/{floor.show(order_id)['customer_id']}"
    office = floor.api.as_("dispatcher")

    def change(**rules: Any) -> None:
        office.ok("PATCH", path, {"reason": "agreed (invented)", **rules}, headers={"If-Match": "*"})

    change(max_lots_per_line=1)
    assert floor.recheck() == []
    # Delivered tomorrow, 60 days are 59 then: just enough, and a day more is too much.
    change(min_life_days=59)
    assert floor.recheck() == []
    change(min_life_days=60, max_lots_per_line=2)
    assert [one["withdrawn"][0]["lot_code"] for one in floor.recheck()] == ["OLD"]
    assert lots(floor.show(order_id)) == {"MID": 5, "NEW": 5}
    floor.agrees()
