"""Take forecasts in, over HTTP or from a file. A newer word on the same day takes the place of the older."""

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from datetime import date, datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.access.core.roles import Caller
from rimekeep.orders import queries
from rimekeep.orders.core.forecasts import ForecastRow, Given, GivenRow
from rimekeep.orders.tables import DemandForecast
from rimekeep.platform.csvfile import Column, ImportReport, Rows, code, count, day, repeated
from rimekeep.platform.database import bulk_insert, take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say

FORECAST_COLUMNS = (
    Column("sku", code),
    Column("customer", code, is_required=False),
    Column("day", day),
    Column("cases", count),
)
MOST_CASES = 1_000_000


def give_forecasts(
    session: Session, now: datetime, caller: Caller, rows: Sequence[ForecastRow]
) -> list[GivenRow]:
    """Store what can be stored; say of each row what became of it."""
    products = queries.known_products(session, caller.site_id, {row.product_id for row in rows})
    customers = queries.known_customers(
        session, caller.site_id, {row.customer_id for row in rows if row.customer_id is not None}
    )
    told: dict[int, GivenRow] = {}
    seen: dict[tuple[int, int, date], int] = {}
    for index, row in enumerate(rows):
        first = seen.setdefault(row.place, index)
        if row.product_id not in products:
            what = f"There is no product {row.product_id} at this site."
            told[index] = GivenRow(
                index, Given.REFUSED, what, "product_id: register it first, or correct the id."
            )
        elif row.customer_id is not None and row.customer_id not in customers:
            what = f"There is no customer {row.customer_id} at this site."
            told[index] = GivenRow(
                index, Given.REFUSED, what, "customer_id: register them first, or correct it."
            )
        elif first != index:
            what = f"The row at index {first} is a word on the same product, customer and day."
            told[index] = GivenRow(index, Given.REFUSED, what, "day: send one of the two.")
    good = [index for index in range(len(rows)) if index not in told]
    outcomes = store_forecasts(session, now, caller, [rows[index] for index in good])
    told.update((index, GivenRow(index, outcome)) for index, outcome in zip(good, outcomes, strict=True))
    return [told[index] for index in range(len(rows))]


def store_forecasts(
    session: Session, now: datetime, caller: Caller, rows: Sequence[ForecastRow]
) -> list[Given]:
    """Write rows that were checked and differ in their places; return what became of each."""
    if not rows:
        return []
    # Two who send the same days at once must not both find them new.
    take_turns(session, f"forecast {caller.site_id}")
    stored = _stored(session, caller.site_id, rows)
    outcomes, new, changed = [], [], []
    for row in rows:
        found = stored.get(row.place)
        if found is None:
            outcomes.append(Given.STORED)
            new.append(
                {
                    "site_id": caller.site_id,
                    "product_id": row.product_id,
                    "customer_id": row.customer_id,
                    "day": row.day,
                    "cases": row.cases,
                    "given_at": now,
                }
            )
        elif found[1] == row.cases:
            outcomes.append(Given.UNCHANGED)
        else:
            outcomes.append(Given.REPLACED)
            changed.append({"id": found[0], "cases": row.cases, "given_at": now})
    bulk_insert(session, SQLModel.metadata.tables["demand_forecast"], new)
    if changed:
        session.execute(update(DemandForecast), changed)
    entered = [
        {
            "site_id": caller.site_id,
            "product_id": row.product_id,
            "customer_id": row.customer_id,
            "day": row.day,
            "cases": row.cases,
            "entered_at": now,
        }
        for row, outcome in zip(rows, outcomes, strict=True)
        if outcome != Given.UNCHANGED
    ]
    bulk_insert(session, SQLModel.metadata.tables["forecast_version"], entered)
    if new or changed:
        counted = Counter(outcomes)
        data = {
            "first_on": min(row.day for row in rows).isoformat(),
            "last_on": max(row.day for row in rows).isoformat(),
            "new": counted[Given.STORED],
            "replaced": counted[Given.REPLACED],
            "cases": sum(row.cases for row in rows),
        }
        record(session, caller.site_id, Event("forecast.given", now, actor_id=caller.id, data=data))
    return outcomes


def import_forecasts(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Callable[[int, int], None]
) -> ImportReport:
    """Take the forecasts of a file; other cases for a day that is known take the place of the older."""
    report = ImportReport("forecast", len(rows.rows), faults=list(rows.faults))
    products = queries.product_ids_by_sku(session, caller.site_id)
    customers = {code: one.id for code, one in queries.customers_by_code(session, caller.site_id).items()}
    for row, first in repeated(rows.rows, "sku", "customer", "day"):
        report.fault(
            row, "day", say("the same stands in line {first}.", first=first), say("Remove one of the two.")
        )
    given = []
    for done, row in enumerate(rows.rows, 1):
        sku, customer, cases = row.values["sku"], row.values["customer"], row.values["cases"]
        on = row.values["day"]
        assert isinstance(cases, int)
        assert isinstance(on, date)
        if str(sku) not in products:
            report.fault(
                row, "sku", say("{sku!r} is not a product here.", sku=sku), say("Import the products first.")
            )
        elif customer and str(customer) not in customers:
            report.fault(
                row,
                "customer",
                say("{customer!r} is not a customer here.", customer=customer),
                say("Import the customers first."),
            )
        elif cases > MOST_CASES:
            report.fault(
                row, "cases", say("{cases} cases a day are too many.", cases=cases), say("Check the digits.")
            )
        else:
            whom = customers[str(customer)] if customer else None
            given.append(ForecastRow(products[str(sku)], whom, on, cases))
        progress(done, len(rows.rows))
    if not report.faults:
        outcomes = Counter(store_forecasts(session, now, caller, given))
        report.unchanged = outcomes[Given.UNCHANGED]
        report.created, report.amended = outcomes[Given.STORED], outcomes[Given.REPLACED]
    return report


def _stored(
    session: Session, site_id: int, rows: Collection[ForecastRow]
) -> dict[tuple[int, int, date], tuple[int, int]]:
    """Return id and cases of what is known of the days these rows speak of, by place."""
    days = [row.day for row in rows]
    known = queries.forecast_rows(session, site_id, min(days), max(days), {row.product_id for row in rows})
    return {(product, customer or 0, day): (key, cases) for key, product, customer, day, cases in known}
