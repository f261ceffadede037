"""Reserving stock for orders: first expired first, each customer's rules, honest reasons, nothing twice."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select, text
from sqlmodel import SQLModel

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Missing
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.tables import Customer, SalesOrder
from rimekeep.picking import queries
from rimekeep.picking.core.records import AllocatedLine, WaveAnswer
from rimekeep.picking.usecases import Chosen, allocate_orders, cancel_order, preview_allocation
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.tables import Lot, Product, Unit

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()


@dataclass
class Store:
    """A product in a room with bays, spoken to in one transaction after another."""

    database: Database
    caller: Caller
    product: Product
    zone_id: int

    def run(self, act: Any, *args: Any, **kwargs: Any) -> Any:
        with self.database.transaction() as session:
            return act(session, *args, **kwargs)

    def lot(self, days_left: int, *pallets: int, **facts: Any) -> tuple[Lot, list[Unit]]:
        """A lot good for ``days_left`` days on pallets with so many cases."""
        with self.database.transaction() as session:
            lot = make_lot(
                session,
                NOW,
                self.caller,
                self.product,
                best_before_on=TODAY + timedelta(days=days_left),
                **facts,
            )
            return lot, [
                make_unit(session, NOW, self.caller, lot, cases=cases, zone_id=self.zone_id)
                for cases in pallets
            ]

    def customer(self, **rules: Any) -> Customer:
        return self.run(make_customer, NOW, self.caller, **rules)  # type: ignore[no-any-return]

    def order(self, cases: int, customer: Customer | None = None, **facts: Any) -> SalesOrder:
        return self.run(make_order, NOW, self.caller, {self.product.id: cases}, customer, **facts)  # type: ignore[no-any-return]

    def allocate(self, *placed: SalesOrder) -> WaveAnswer:
        return self.run(allocate_orders, NOW, self.caller, Chosen(order_ids=[order.id for order in placed]))  # type: ignore[no-any-return]

    def expires(self, unit: Unit, at: datetime) -> None:
        """Write what the model would have written: the beer on ``unit`` is over at ``at``."""
        with self.database.transaction() as session:
            content_id = session.scalar(
                text("SELECT id FROM unit_content WHERE unit_id = :unit"), {"unit": unit.id}
            )
            life = SQLModel.metadata.tables["life"]
            row = {
                "content_id": content_id,
                "site_id": self.caller.site_id,
                "as_of_at": NOW,
                "expires_at": at,
                "limited_by": "staling",
                "cautious_at": at,
            }
            session.execute(insert(life).values(**row))

    def books(self) -> dict[str, Any]:
        """Return what stock and allocations say, having checked that they agree and the ledger holds."""
        with self.database.transaction() as session:
            reserved = session.scalar(text("SELECT COALESCE(SUM(reserved_cases), 0) FROM unit_content"))
            live = session.scalar(
                text("SELECT COALESCE(SUM(cases), 0) FROM allocation WHERE state IN ('reserved', 'picked')")
            )
            total = session.scalar(text("SELECT COALESCE(SUM(cases), 0) FROM unit_content"))
            over = session.scalar(text("SELECT COUNT(*) FROM unit_content WHERE reserved_cases > cases"))
            assert list(broken_links(session, self.caller.site_id)) == []
            assert list(queries.reservations_that_disagree(session, self.caller.site_id)) == []
        assert (reserved, over) == (live, 0)
        return {"reserved": reserved, "total": total}


@pytest.fixture
def store(api: Api, database: Database) -> Store:
    caller = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, NOW, caller)
        zone = make_zone(session, NOW, caller)
    return Store(database, caller, product, zone.id)


def lots_of(line: AllocatedLine) -> list[tuple[str, int]]:
    return [(one.lot_code, one.cases) for one in line.taken]


def test_the_earliest_effective_expiry_goes_first_whatever_is_printed(store: Store) -> None:
    _, [warm] = store.lot(200, 48, code="WARM")
    store.lot(120, 48, code="COLD")
    # The pallet with the later label stood warm: its beer is over first.
    store.expires(warm, NOW + timedelta(days=90))
    answer = store.allocate(store.order(60))
    assert lots_of(answer.lines[0]) == [("WARM", 48), ("COLD", 12)]
    assert [one.how for one in answer.lines[0].taken] == ["pallet", "cases"]
    # 90 days on at 06:00: the day before is the last full one. Printed dates are told as printed.
    assert answer.lines[0].taken[0].expires_on == TODAY + timedelta(days=89)
    assert answer.lines[0].taken[0].best_before_on == TODAY + timedelta(days=200)
    assert (answer.wanted_cases, answer.served_cases, answer.bound_cases, answer.is_proven) == (
        60,
        60,
        60,
        True,
    )
    assert store.books() == {"reserved": 60, "total": 96}


def test_the_day_the_label_ends_is_the_last_full_day_in_the_sites_own_time(store: Store) -> None:
    with store.database.transaction() as session:
        session.execute(text("UPDATE site SET time_zone = 'Europe/Prague'"))
    _, [unit] = store.lot(60, 48)
    # Midnight after the printed day, in Prague (UTC+1, from 29 March UTC+2; IANA time zone database).
    printed = TODAY + timedelta(days=60)
    store.expires(unit, datetime(printed.year, printed.month, printed.day, 22, 0, tzinfo=UTC))
    customer = store.customer(min_life_days=59)
    assert store.allocate(store.order(8, customer)).lines[0].taken[0].expires_on == printed
    strict = store.customer(min_life_days=60)
    short = store.allocate(store.order(8, strict)).lines[0].short
    assert short is not None
    assert (short.cases, short.reason) == (8, "too_old")


@pytest.mark.parametrize(
    ("rules", "reason"),
    [
        ({"min_life_days": 80}, "too_old"),
        ({"max_lots_per_line": 1}, "lot_cap"),
        ({"no_backward_date": True}, "older_than_last_delivered"),
        ({}, "no_stock"),
    ],
)
def test_a_short_line_says_honestly_why(store: Store, rules: dict[str, Any], reason: str) -> None:
    store.lot(50, 10)
    store.lot(60, 10)
    customer = store.customer(**rules)
    if "no_backward_date" in rules:
        store.run(order_usecases.note_delivered, customer.id, store.product.id, TODAY + timedelta(days=61))
    answer = store.allocate(store.order(40 if reason == "no_stock" else 15, customer))
    short = answer.lines[0].short
    assert short is not None
    assert short.reason == reason
    assert short.cases == answer.wanted_cases - answer.served_cases > 0
    assert short.text.endswith(".")
    assert sum(cases for _, cases in short.causes) >= short.cases


def test_held_stock_is_never_reserved_and_named_as_the_reason(store: Store) -> None:
    lot, _ = store.lot(100, 48)
    _, [unit] = store.lot(90, 48)
    store.run(stock_usecases.hold_lot, NOW, store.caller, lot_id=lot.id, reason="cap torque out of range")
    store.run(stock_usecases.hold_unit, NOW, store.caller, unit_id=unit.id, reason="wet cartons")
    order = store.order(10)
    answer = store.allocate(order)
    assert (answer.lines[0].taken, answer.lines[0].short and answer.lines[0].short.reason) == ((), "held")
    with store.database.transaction() as session:
        assert session.get(SalesOrder, order.id).state == "open"  # type: ignore[union-attr]
        told = queries.shorts_told(session, store.caller.site_id, [order.id])
    assert [(short.cases, short.reason, short.text) for short in told.values()] == [
        (10, "held", "The stock is on hold.")
    ]


def test_a_second_allocation_of_the_same_orders_reserves_nothing_twice(store: Store) -> None:
    store.lot(100, 48)
    order = store.order(60)
    first, second = store.allocate(order), store.allocate(order)
    assert (first.served_cases, second.served_cases, second.wanted_cases) == (48, 0, 12)
    assert second.lines[0].had == 48
    assert store.books() == {"reserved": 48, "total": 48}
    # New stock later serves what was short, and only that.
    store.lot(110, 48)
    third = store.allocate(order)
    assert (third.served_cases, third.lines[0].short) == (12, None)
    assert store.books() == {"reserved": 60, "total": 96}
    with store.database.transaction() as session:
        assert queries.shorts_told(session, store.caller.site_id, [order.id]) == {}


def test_an_overdue_order_never_gets_beer_that_is_over_today(store: Store) -> None:
    store.lot(-1, 48, code="OVER")
    store.lot(0, 10, code="LAST-DAY")
    store.lot(5, 10, code="FRESH")
    last_week = TODAY - timedelta(days=7)
    order = store.order(40, ship_on=last_week, deliver_on=last_week)
    answer = store.allocate(order)
    assert lots_of(answer.lines[0]) == [("LAST-DAY", 10), ("FRESH", 10)]
    assert answer.lines[0].short is not None
    assert (answer.lines[0].short.cases, answer.lines[0].short.reason) == (20, "too_old")


def test_a_preview_keeps_nobody_from_writing(store: Store) -> None:
    store.lot(100, 48)
    order = store.order(60)
    with store.database.transaction() as session:
        preview_allocation(session, NOW, store.caller, Chosen(order_ids=[order.id]))
        # On SQLite a second writer would wait in vain for the first to end.
        assert store.order(5).id > order.id


def test_a_preview_says_the_same_and_changes_nothing(store: Store) -> None:
    store.lot(100, 48)
    store.lot(90, 20)
    order = store.order(60)
    preview = store.run(preview_allocation, NOW, store.caller, Chosen(ship_on=order.ship_on))
    assert store.books() == {"reserved": 0, "total": 68}
    assert preview == store.allocate(order)


def test_a_lot_whose_pallets_aged_differently_is_one_lot_to_the_customer(store: Store) -> None:
    _, units = store.lot(100, 10, 10, 10, code="ONE")
    for days, unit in enumerate(units):
        store.expires(unit, NOW + timedelta(days=60 + days))
    # More than any pallet of the first lot, less than all of them.
    store.lot(120, 20, code="TWO")
    answer = store.allocate(store.order(25, store.customer(max_lots_per_line=1)))
    assert (answer.served_cases, answer.bound_cases) == (25, 25)
    assert len({one.lot_id for one in answer.lines[0].taken}) == 1


def test_a_line_topped_up_later_keeps_its_lot_cap(store: Store) -> None:
    store.lot(100, 20, code="ONE")
    order = store.order(60, store.customer(max_lots_per_line=2))
    assert store.allocate(order).served_cases == 20
    store.lot(110, 20, code="TWO")
    store.lot(120, 48, code="THREE")
    answer = store.allocate(order)
    assert lots_of(answer.lines[0]) == [("THREE", 40)]
    store.lot(130, 48, code="FOUR")
    other = store.order(80, store.customer(max_lots_per_line=1))
    assert lots_of(store.allocate(other).lines[0]) == [("FOUR", 48)]
    answer = store.allocate(other)
    assert answer.lines[0].short is not None
    assert (answer.served_cases, answer.lines[0].short.reason) == (0, "lot_cap")


def test_what_is_promised_but_not_delivered_counts_for_no_backward_date(store: Store) -> None:
    customer = store.customer(no_backward_date=True)
    store.lot(100, 10, code="NEW")
    store.allocate(store.order(10, customer))
    store.lot(60, 48, code="OLD")
    later = TODAY + timedelta(days=5)
    answer = store.allocate(store.order(10, customer, ship_on=later, deliver_on=later))
    assert answer.lines[0].short is not None
    assert answer.lines[0].short.reason == "older_than_last_delivered"


def test_an_earlier_delivery_never_overtakes_one_promised_for_later(store: Store) -> None:
    customer = store.customer(no_backward_date=True)
    store.lot(60, 10, code="OLD")
    later = TODAY + timedelta(days=5)
    store.allocate(store.order(10, customer, ship_on=later, deliver_on=later))
    store.lot(60, 4, code="SAME-DAY")
    store.lot(100, 48, code="NEW")
    rush = store.allocate(store.order(10, customer)).lines[0]
    assert lots_of(rush) == [("SAME-DAY", 4)]
    assert rush.short is not None
    assert (rush.short.cases, rush.short.reason) == (6, "newer_than_next_delivery")
    assert lots_of(store.allocate(store.order(10, store.customer())).lines[0]) == [("NEW", 10)]
    last = TODAY + timedelta(days=9)
    wave = store.allocate(
        store.order(6, customer, ship_on=last, deliver_on=last), store.order(6, customer, code="RUSH")
    )
    assert {line.order_code == "RUSH": lots_of(line) for line in wave.lines} == {
        False: [("NEW", 6)],
        True: [],
    }


def test_two_deliveries_of_one_wave_are_never_in_backward_order(store: Store) -> None:
    customer = store.customer(no_backward_date=True)
    store.lot(60, 10, code="OLD")
    store.lot(100, 10, code="NEW")
    later = store.order(
        10, customer, ship_on=TODAY + timedelta(days=4), deliver_on=TODAY + timedelta(days=4), priority=5
    )
    sooner = store.order(10, customer)
    answer = store.allocate(later, sooner)
    assert {line.order_id: lots_of(line) for line in answer.lines} == {
        sooner.id: [("OLD", 10)],
        later.id: [("NEW", 10)],
    }


def test_a_mixed_or_partly_promised_pallet_is_never_taken_whole(store: Store) -> None:
    with store.database.transaction() as session:
        lots = [
            make_lot(session, NOW, store.caller, store.product, best_before_on=TODAY + timedelta(days=days))
            for days in (50, 70)
        ]
        make_unit(
            session, NOW, store.caller, zone_id=store.zone_id, contents=[(lots[0].id, 16), (lots[1].id, 16)]
        )
    answer = store.allocate(store.order(32))
    assert [(one.cases, one.how) for one in answer.lines[0].taken] == [(16, "layers"), (16, "layers")]
    store.lot(100, 48)
    store.allocate(store.order(9))
    rest = store.allocate(store.order(39))
    assert [(one.cases, one.how) for one in rest.lines[0].taken] == [(39, "cases")]


def test_cancelling_gives_every_case_back(store: Store) -> None:
    store.lot(100, 48, 48)
    order = store.order(60)
    store.allocate(order)
    store.run(cancel_order, NOW, store.caller, order_id=order.id, reason="ordered by mistake")
    assert store.books() == {"reserved": 0, "total": 96}
    with pytest.raises(Conflict, match="cannot be cancelled"):
        store.run(cancel_order, NOW, store.caller, order_id=order.id, reason="again")
    with pytest.raises(Conflict, match="nothing is allocated"):
        store.allocate(order)
    with pytest.raises(Missing):
        store.run(allocate_orders, NOW, store.caller, Chosen(order_ids=[987654]))


def test_allocations_at_the_same_moment_never_oversell_and_lose_nothing(store: Store) -> None:
    for days in range(60, 70):
        store.lot(days, 48, 24)
    placed = [store.order(60) for _ in range(16)]
    with ThreadPoolExecutor(16) as pool:
        answers = list(pool.map(store.allocate, placed))
    # 10 × 72 = 720 cases for 16 × 60 = 960 wanted: all of the stock is promised, none of it twice.
    assert sum(answer.served_cases for answer in answers) == 720
    assert store.books() == {"reserved": 720, "total": 720}
    with store.database.transaction() as session:
        lines = queries.served_by_line(session, store.caller.site_id, [order.id for order in placed])
        told = queries.shorts_told(session, store.caller.site_id, [order.id for order in placed])
    for answer in answers:
        line = answer.lines[0]
        assert lines.get(line.line_id, (0,))[0] == answer.served_cases
        assert (told[line.line_id].cases if line.line_id in told else 0) == 60 - answer.served_cases


def test_the_same_orders_allocated_by_many_at_once_are_served_once(store: Store) -> None:
    store.lot(100, 48, 48, 48)
    placed = [store.order(30), store.order(40)]
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: store.allocate(*placed), range(8)))
    assert sorted(answer.served_cases for answer in answers) == [0] * 7 + [70]
    assert store.books()["reserved"] == 70


def test_orders_are_allocated_and_told_over_http(store: Store, api: Api) -> None:
    store.lot(100, 40)
    order = store.order(48)
    office = api.as_("dispatcher")
    before = api.as_("picker").ok("POST", "/v1/allocations/preview", {"order_ids": [order.id]})
    done = office.made("/v1/allocations", {"ship_on": order.ship_on.isoformat()})
    assert before == done
    assert (done["wanted_cases"], done["served_cases"]) == (48, 40)
    assert done["lines"][0]["short"] == {
        "cases": 8,
        "reason": "no_stock",
        "text": "There is no more stock of this product.",
        "causes": [["no_stock", 8]],
        "remedies": [
            {
                "change": "make",
                "cases": 8,
                "lots": [],
                "amount": None,
                "on": "2026-03-17",
                "lasts_until": "2026-03-17",
                "text": "8 cases must be made, there by 2026-03-17 and good through 2026-03-17.",
            }
        ],
    }
    shown = office.ok("GET", f"/v1/orders/{order.id}")
    assert shown["state"] == "allocated"
    assert shown["lines"][0]["short"]["reason"] == "no_stock"
    assert [(one["cases"], one["how"], one["state"]) for one in shown["allocations"]] == [
        (40, "pallet", "reserved")
    ]
    cancelled = office.made(f"/v1/orders/{order.id}/cancel", {"reason": "closed for the season"})
    assert cancelled["state"] == "cancelled"
    assert office.ok("GET", f"/v1/orders/{order.id}")["allocations"] == []
    office.refused("/v1/allocations", {}, 422, "invalid-input")
    office.refused(
        "/v1/allocations", {"order_ids": [order.id], "ship_on": "2026-03-17"}, 422, "invalid-input"
    )
    office.refused("/v1/allocations", {"order_ids": [987654]}, 404, "order-not-found")
    office.refused("/v1/allocations", {"order_ids": [order.id]}, 409, "order-state")
    api.as_("picker").refused("/v1/allocations", {"order_ids": [order.id]}, 403, "role-missing")
    assert store.books()["reserved"] == 0


def test_short_lines_are_announced_once_per_allocation(store: Store) -> None:
    order = store.order(5)
    store.allocate(order)
    with store.database.transaction() as session:
        outbox = SQLModel.metadata.tables["outbox_message"]
        kinds = session.execute(select(outbox.c.kind, outbox.c.data)).all()
    assert [kind for kind, _ in kinds] == ["orders.short"]
    assert kinds[0][1]["lines"][0]["order"] == order.code


def test_another_sites_orders_are_not_there(store: Store, api: Api) -> None:
    order = store.order(5)
    site = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})
    api.tokens["stranger"] = site["token"]
    stranger = api.as_("stranger")
    for path in (f"/v1/orders/{order.id}", f"/v1/customers/{order.customer_id}"):
        assert stranger.get(path).status_code == 404
    stranger.refused(f"/v1/orders/{order.id}/cancel", {"reason": "not ours"}, 404, "order-not-found")
    stranger.refused("/v1/allocations", {"order_ids": [order.id]}, 404, "order-not-found")
    stranger.refused("/v1/pick-lists", {"order_ids": [order.id]}, 404, "order-not-found")
