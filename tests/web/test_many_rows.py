"""Lists and choices of a store with ten thousand of a thing: as many statements and as short a page as with a few."""

from __future__ import annotations

import re
from typing import Any

import pytest
from sqlalchemy import event, insert

from builders.api import Api
from builders.grounds import Clock
from builders.orders import make_customer
from builders.stock import make_bay, make_product, make_zone
from rimekeep.orders.tables import Customer
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Bay, Product, Zone

MANY = 10_000
# What a page may weigh in all.
MOST_BYTES = 150_000
PAGES = (
    "/setup/products", "/setup/products?q=number+77", "/setup/customers?q=number+77", "/setup/bays",
    "/setup/bays?q=-0777", "/setup/customers/1", "/cold/excursions", "/cold/calibrations", "/cold/returns",
    "/trace/recalls",
)  # fmt: skip


def copies(row: Any, **changes: str | None) -> list[dict[str, Any]]:
    """The row's values, many times; a text given is filled with the number."""
    values = {name: value for name, value in row.model_dump().items() if name != "id"}
    return [
        values | {name: text and text.format(k) for name, text in changes.items()} for k in range(1, MANY + 1)
    ]


def full_store(api: Api, database: Database, clock: Clock) -> None:
    lead = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, clock.now, lead)
        zone = make_zone(session, clock.now, lead)
        bay, customer = make_bay(session, clock.now, lead, zone), make_customer(session, clock.now, lead)
        session.flush()
        many = {
            Product: copies(product, sku="BEER-{:05d}", name="Beer number {}", gtin=None),
            Customer: copies(customer, code="C-{:05d}", name="Bar number {}"),
            Bay: copies(bay, code="BAY-{:05d}"),
        }
        for slot, one in enumerate(many[Bay], 1):
            one |= {"aisle": 1 + slot // 500, "slot": 1 + slot % 500}
        spaces = [one | {"kind": "vehicle"} for one in copies(zone, code="V-{:05d}", name="Load space {}")]
        for table, rows in (*many.items(), (Zone, spaces)):
            session.execute(insert(table), rows)


def asked(api: Api, database: Database, path: str) -> tuple[int, str]:
    """The statements a page takes, and the page."""
    statements: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        statements.append(statement)

    engines = (database.engine, database._reading)
    for engine in engines:
        event.listen(engine, "before_cursor_execute", note)
    response = api.client.get(path)
    for engine in engines:
        event.remove(engine, "before_cursor_execute", note)
    assert response.status_code == 200
    return len(statements), response.text


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_ten_thousand_rows_take_no_more_statements_and_no_longer_page(
    api: Api, database: Database, clock: Clock
) -> None:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens["admin"]})
    lead = api.callers["lead"]
    with database.transaction() as session:
        zone = make_zone(session, clock.now, lead, code="FIRST")
        make_product(session, clock.now, lead, sku="FIRST")
        make_bay(session, clock.now, lead, zone, code="FIRST")
        make_customer(session, clock.now, lead, code="FIRST")
    few = {path: asked(api, database, path)[0] for path in PAGES}
    full_store(api, database, clock)
    for path in PAGES:
        statements, page = asked(api, database, path)
        assert statements == few[path], path
        assert len(page.encode()) < MOST_BYTES, path
        assert "Load space 7" not in page, "whoever chooses a room does not look through the fleet"
    # The last of them is found, in the list and where it is to be chosen.
    for path in (
        "/setup/products?q=number+9999",
        "/setup/customers/1?product=number+9999",
        "/cold/calibrations?product=beer-09999",
    ):
        page = asked(api, database, path)[1]
        assert re.search("BEER-09999", page), path
        assert "BEER-00001" not in page
    assert "Find the product first" in asked(api, database, "/setup/customers/1")[1]
