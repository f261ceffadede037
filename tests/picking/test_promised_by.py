"""What a site promises its customers by decides what may be reserved and picked; the median goes on sorting."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select, text, update
from sqlmodel import SQLModel

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller, Role
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()


@dataclass
class House:
    """One site with a product in a room, spoken to by its admin."""

    api: Api
    database: Database
    caller: Caller
    product_id: int
    zone_id: int

    @property
    def path(self) -> str:
        return f"/v1/sites/{self.caller.site_id}"

    def promise_by(self, date: str) -> None:
        etag = self.api.get(self.path).headers["ETag"]
        body = {"promises_by": date, "reason": "as agreed with the dealers (invented)"}
        self.api.ok("PATCH", self.path, body, headers={"If-Match": etag})

    def pallet(self, code: str, median_days: float, cautious_days: float, cases: int = 48) -> str:
        """A pallet of its own lot whose life ends, by the model, so many days from now."""
        with self.database.transaction() as session:
            lot = make_lot(session, NOW, self.caller, product_id=self.product_id, code=code)
            unit = make_unit(session, NOW, self.caller, lot, zone_id=self.zone_id, cases=cases)
            content_id = session.scalar(
                text("SELECT id FROM unit_content WHERE unit_id = :unit"), {"unit": unit.id}
            )
            row = {
                "content_id": content_id,
                "site_id": self.caller.site_id,
                "as_of_at": NOW,
                "expires_at": NOW + timedelta(days=median_days),
                "cautious_at": NOW + timedelta(days=cautious_days),
                "limited_by": "staling",
            }
            session.execute(insert(SQLModel.metadata.tables["life"]).values(**row))
            return unit.sscc

    def age(self, median_days: float, cautious_days: float) -> None:
        """What a refresh would write after a failure of the cold."""
        life = SQLModel.metadata.tables["life"]
        changed = {
            "expires_at": NOW + timedelta(days=median_days),
            "cautious_at": NOW + timedelta(days=cautious_days),
        }
        with self.database.transaction() as session:
            session.execute(update(life).where(life.c.site_id == self.caller.site_id).values(**changed))

    def order(self, cases: int, **rules: Any) -> int:
        with self.database.transaction() as session:
            customer = make_customer(session, NOW, self.caller, **rules)
            return make_order(session, NOW, self.caller, {self.product_id: cases}, customer).id

    def preview(self, *order_ids: int) -> dict[str, Any]:
        return self.api.ok("POST", "/v1/allocations/preview", {"order_ids": list(order_ids)})  # type: ignore[no-any-return]

    def taken_pick(self, cases: int) -> dict[str, Any]:
        order_id = self.order(cases)
        self.api.made("/v1/allocations", {"order_ids": [order_id]})
        self.api.made("/v1/pick-lists", {"order_ids": [order_id]})
        (pick,) = self.api.made("/v1/pick-lists/next")["picks"]
        return pick  # type: ignore[no-any-return]


def house(api: Api, database: Database, caller: Caller) -> House:
    with database.transaction() as session:
        product, zone = make_product(session, NOW, caller), make_zone(session, NOW, caller)
    return House(api, database, caller, product.id, zone.id)


@pytest.fixture
def north(api: Api, database: Database) -> House:
    return house(api, database, api.callers["lead"])


@pytest.fixture
def south(api: Api, database: Database) -> House:
    opened = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})
    other = api.as_("admin")
    other.tokens = {"admin": opened["token"]}
    me = other.ok("GET", "/v1/me")
    return house(other, database, Caller(me["id"], opened["site"]["id"], me["name"], frozenset([Role.ADMIN])))


def lots(told: dict[str, Any]) -> list[tuple[str, int]]:
    return [(one["lot_code"], one["cases"]) for one in told["lines"][0]["taken"]]


def test_a_line_that_was_served_is_short_by_the_cautious_date_and_told_so(
    north: House, south: House, database: Database
) -> None:
    for site in (north, south):
        site.pallet("L1", 100, 70)
    # Delivery is tomorrow, so 80 days of life left mean day 81: the median reaches it, the cautious date does not.
    ours, theirs = (site.order(10, min_life_days=80) for site in (north, south))
    first = north.preview(ours)
    assert (first["promises_by"], lots(first)) == ("median", [("L1", 10)])
    taken = first["lines"][0]["taken"][0]
    # The end lies at 06:00 of day 100, so the day before is the last full one.
    assert taken["promised_on"] == taken["expires_on"] == str(TODAY + timedelta(days=99))

    north.promise_by("cautious")
    told = north.api.made("/v1/allocations", {"order_ids": [ours]})
    assert (told["promises_by"], told["served_cases"], lots(told)) == ("cautious", 0, [])
    short = told["lines"][0]["short"]
    assert (short["cases"], short["reason"]) == (10, "too_old_by_cautious_date")
    assert short["causes"] == [["too_old_by_cautious_date", 10]]
    assert "cautious date" in short["text"]
    assert north.api.ok("GET", f"/v1/orders/{ours}")["lines"][0]["short"]["text"] == short["text"]

    other = south.api.made("/v1/allocations", {"order_ids": [theirs]})
    assert (other["promises_by"], lots(other)) == ("median", [("L1", 10)])

    north.promise_by("median")
    again = north.api.made("/v1/allocations", {"order_ids": [ours]})
    assert (lots(again), again["lines"][0]["short"]) == ([("L1", 10)], None)
    with database.transaction(readonly=True) as session:
        found = session.scalars(
            select(LedgerEvent).where(LedgerEvent.kind == "order.allocated").order_by(LedgerEvent.seq)  # type: ignore[arg-type]
        )
        by = [event.data["promises_by"] for event in found if event.site_id == north.caller.site_id]
    assert by == ["cautious", "median"]


@pytest.mark.parametrize(("min_life_days", "served"), [(68, 10), (69, 0)])
def test_the_boundary_day_of_the_cautious_date_is_enough(
    north: House, min_life_days: int, served: int
) -> None:
    north.pallet("L1", 100, 70)
    north.promise_by("cautious")
    # Last full day 69; delivered on day 1.
    told = north.preview(north.order(10, min_life_days=min_life_days))
    assert told["served_cases"] == served
    if served:
        taken = told["lines"][0]["taken"][0]
        assert taken["promised_on"] == str(TODAY + timedelta(days=69))
        assert taken["expires_on"] == str(TODAY + timedelta(days=99))


def test_stock_goes_in_the_order_of_the_median_whatever_is_promised(north: House) -> None:
    north.pallet("SOONER", 100, 90, cases=10)
    north.pallet("LATER", 110, 40, cases=10)
    north.promise_by("cautious")
    assert lots(north.preview(north.order(15))) == [("SOONER", 10), ("LATER", 5)]
    # Only the first promises enough for the one who asks for 60 days, so whoever asks for none makes way.
    told = north.preview(north.order(10), north.order(10, min_life_days=60))
    assert [[one["lot_code"] for one in line["taken"]] for line in told["lines"]] == [["LATER"], ["SOONER"]]
    assert told["is_proven"]


def test_too_little_by_the_median_is_never_blamed_on_the_cautious_date(north: House) -> None:
    north.pallet("L1", 50, 40)
    north.promise_by("cautious")
    told = north.preview(north.order(10, min_life_days=80))
    assert told["lines"][0]["short"]["reason"] == "too_old"


def test_parts_of_one_lot_with_one_median_and_two_cautious_dates_are_kept_apart(
    north: House, database: Database
) -> None:
    """Gaps in the readings of one room widen what is known of its pallets, and of no others'."""
    north.pallet("L1", 100, 40, cases=10)
    with database.transaction() as session:
        lot_id = session.scalar(text("SELECT id FROM lot WHERE code = 'L1'"))
        unit = make_unit(session, NOW, north.caller, contents=[(lot_id, 10)], zone_id=north.zone_id)
        content_id = session.scalar(
            text("SELECT id FROM unit_content WHERE unit_id = :unit"), {"unit": unit.id}
        )
        row = {
            "content_id": content_id,
            "site_id": north.caller.site_id,
            "as_of_at": NOW,
            "expires_at": NOW + timedelta(days=100),
            "cautious_at": NOW + timedelta(days=90),
            "limited_by": "staling",
        }
        session.execute(insert(SQLModel.metadata.tables["life"]).values(**row))
    north.promise_by("cautious")
    told = north.preview(north.order(20, min_life_days=60))
    assert [(one["sscc"], one["cases"]) for one in told["lines"][0]["taken"]] == [(unit.sscc, 10)]
    assert told["lines"][0]["short"]["causes"] == [["too_old_by_cautious_date", 10]]


def test_what_is_reserved_stays_reserved_when_the_site_changes_its_promise(north: House) -> None:
    north.pallet("L1", 100, 70)
    order_id = north.order(10, min_life_days=80)
    north.api.made("/v1/allocations", {"order_ids": [order_id]})
    north.promise_by("cautious")
    order = north.api.ok("GET", f"/v1/orders/{order_id}")
    assert [(one["cases"], one["state"]) for one in order["allocations"]] == [(10, "reserved")]
    assert north.api.made("/v1/allocations", {"order_ids": [order_id]})["wanted_cases"] == 0


def test_a_scan_of_beer_that_came_to_be_over_before_delivery_is_refused(north: House) -> None:
    sscc = north.pallet("L1", 100, 70)
    pick = north.taken_pick(10)
    confirm = f"/v1/picks/{pick['id']}/confirm"
    body = {"scan": f"00{sscc}", "bay_check_code": None, "cases": 10}
    # Both last through today only; it is delivered tomorrow.
    north.age(1, 0.5)
    told = north.api.refused(confirm, body, 409, "over-at-delivery")
    assert "by the median of its life" in told["detail"]
    assert told["data"] == {
        "sscc": sscc,
        "lot": "L1",
        "last_on": str(TODAY),
        "deliver_on": str(TODAY + timedelta(days=1)),
        "promises_by": "median",
    }
    # By the median it lasts through tomorrow, cautiously not.
    north.age(2, 1)
    north.promise_by("cautious")
    told = north.api.refused(confirm, body, 409, "over-at-delivery")
    assert "by the cautious date" in told["detail"]
    assert told["data"]["promises_by"] == "cautious"
    short = {"cases_found": 4, "reason": "beer is over (invented)", "scan": body["scan"]}
    north.api.refused(f"/v1/picks/{pick['id']}/short", short, 409, "over-at-delivery")
    north.promise_by("median")
    assert north.api.made(confirm, body)["state"] == "done"


def test_a_late_delivery_is_weighed_by_the_day_it_is(north: House, clock: Any) -> None:
    """An order that should have gone yesterday goes today at the soonest."""
    sscc = north.pallet("L1", 100, 3)
    pick = north.taken_pick(10)
    north.promise_by("cautious")
    clock.now = NOW + timedelta(days=4)
    body = {"scan": f"00{sscc}", "bay_check_code": None, "cases": 10}
    taken = north.api.made("/v1/pick-lists/next")
    assert taken["picks"][0]["id"] == pick["id"]
    told = north.api.refused(f"/v1/picks/{pick['id']}/confirm", body, 409, "over-at-delivery")
    assert told["data"]["deliver_on"] == str(TODAY + timedelta(days=4))


def test_beer_past_its_label_is_refused_by_its_label(north: House, database: Database) -> None:
    sscc = north.pallet("L1", 100, 70)
    pick = north.taken_pick(10)
    with database.transaction() as session:
        session.execute(text("UPDATE lot SET best_before_on = :day"), {"day": str(TODAY)})
    body = {"scan": f"00{sscc}", "bay_check_code": None, "cases": 10}
    told = north.api.refused(f"/v1/picks/{pick['id']}/confirm", body, 409, "over-at-delivery")
    assert "by its label" in told["detail"]


def test_life_says_which_date_is_promised(north: House) -> None:
    sscc = north.pallet("L1", 100, 70)
    stored = {"median": NOW + timedelta(days=100), "cautious": NOW + timedelta(days=70)}
    for by, at in stored.items():
        north.promise_by(by)
        for path in (
            f"/v1/units/{sscc}/life",
            f"/v1/lots/{north.preview(north.order(1))['lines'][0]['taken'][0]['lot_id']}/life",
        ):
            told = north.api.ok("GET", path)
            assert told["promises_by"] == by
            (pack,) = told["lives"][0]["packs"]
            assert datetime.fromisoformat(pack["stored_promised_at"]) == at
            assert datetime.fromisoformat(pack["stored_expires_at"]) == stored["median"]


def test_the_page_of_the_day_says_which_date_is_promised(north: House) -> None:
    north.promise_by("cautious")
    page = north.api.client.post("/sign-in", data={"token": north.api.tokens["lead"]}).text
    assert "Customers are promised by the cautious date" in page
