"""Forecasts in, what will not sell in time out, and one word about each lot."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sqlalchemy import func, insert, select
from sqlmodel import SQLModel, col

from builders.api import Api
from builders.databases import NOW
from builders.grounds import Clock
from builders.orders import make_customer, make_order
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.cli.imports import run_import
from rimekeep.cli.replay import compare_own
from rimekeep.orders.tables import ForecastVersion
from rimekeep.picking.core.policies import Policy
from rimekeep.picking.jobs import look_ahead
from rimekeep.platform.database import Database
from rimekeep.worker import in_each_site

TODAY = NOW.date()


def day(number: int) -> str:
    return str(TODAY + timedelta(days=number))


def test_what_will_not_sell_is_told_with_its_money_its_days_and_its_remedy(
    api: Api, database: Database
) -> None:
    """An inn takes 10 cases every fourth day and asks for 30 days; 100 cases last 40 days. By hand: 3 deliveries."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, NOW, caller, sku="LAGER", name="Invented lager")
        lot = make_lot(session, NOW, caller, product, code="L1", best_before_on=TODAY + timedelta(days=40))
        zone = make_zone(session, NOW, caller)
        make_unit(session, NOW, caller, lot, zone, cases=90, received_at=NOW - timedelta(days=3))
        make_unit(session, NOW, caller, lot, zone, cases=10, received_at=NOW - timedelta(days=1))
        held = make_lot(session, NOW, caller, product, code="L2", released=False)
        make_unit(session, NOW, caller, held, zone, cases=7)
        inn = make_customer(session, NOW, caller, code="INN", min_life_days=30)
        make_order(
            session, NOW, caller, {product.id: 4}, inn,
            ship_on=TODAY + timedelta(days=4), deliver_on=TODAY + timedelta(days=4),
        )  # fmt: skip
        product_id, inn_id = product.id, inn.id
    rows = [
        {"product_id": product_id, "customer_id": inn_id, "day": day(number), "cases": 10}
        for number in range(0, 41, 4)
    ]
    path = f"/v1/products/{product_id}"
    before = api.get("/v1/outlook", params={"days": 60}).json()
    # Of orders alone nobody can tell: shown, marked, and no alarm.
    assert (before["products"][0]["demand_from"], before["waste_cases"]) == ("orders only", 96)
    in_each_site(look_ahead)(database, NOW)
    assert api.get("/v1/outbox").json()["items"] == []

    told = api.as_("lead").made(
        "/v1/forecasts", {"forecasts": [*rows, rows[0], {**rows[1], "customer_id": 10**9}]}
    )
    assert (told["stored"], told["refused"], told["items"][-2]["outcome"]) == (11, 2, "refused")
    again = api.made(
        "/v1/forecasts", {"forecasts": [rows[0], {**rows[1], "cases": 12}, {**rows[1], "day": day(41)}]}
    )
    assert [one["outcome"] for one in again["items"]] == ["unchanged", "replaced", "stored"]
    api.made("/v1/forecasts", {"forecasts": [rows[1]]})
    assert (
        len(api.get("/v1/forecasts", params={"product_id": product_id, "last": day(8)}).json()["items"]) == 3
    )

    etag = api.get(path).headers["ETag"]
    change = {"value_per_case": 12.5, "reason": "price list (invented)"}
    assert api.request("PATCH", path, json=change).status_code == 428
    assert api.ok("PATCH", path, change, headers={"If-Match": etag})["value_per_case"] == 12.5
    assert api.request("PATCH", path, json=change, headers={"If-Match": etag}).status_code == 412
    site = f"/v1/sites/{caller.site_id}"
    etag = api.get(site).headers["ETag"]
    wanted = {"currency": "EUR", "reason": "as we invoice"}
    shown = api.ok("PATCH", site, wanted, headers={"If-Match": etag})
    assert (shown["currency"], shown["promises_by"]) == ("EUR", "median")

    found = api.get("/v1/outlook", params={"days": 60}).json()
    (one,) = found["lots"]
    # Days 0, 4 and 8 leave 30 days or more; the order of day 4 is part of the forecast of day 4.
    assert (one["lot_code"], one["sold_cases"], one["cases"], one["value"]) == ("L1", 30, 70, 875.0)
    # With no life asked for, the seven deliveries from day 16 to day 40 take the 70: day 12 may pass, day 16 not.
    # It has been here for three days, but nothing was forecast of it before today.
    assert (one["saleable_until"], one["act_by"], one["shown_on"]) == (day(10), day(16), day(0))
    assert (found["currency"], found["value"], found["unvalued_cases"]) == ("EUR", 875.0, 0)
    (row,) = found["products"]
    assert (row["demand_from"], row["held_cases"], row["sold_cases"], row["unmet_cases"]) == (
        "forecast",
        7,
        30,
        90,
    )
    (saving,) = found["savings"]
    assert (saving["customer_code"], saving["first_days"], saving["first_cases"]) == ("INN", 2, 10)
    assert (saving["best_days"], saving["best_cases"], saving["value"]) == (26, 70, 875.0)
    assert found["customer_savings"][0]["product_id"] is None
    # Seen from nearer, it may still sell after the horizon: nothing is waste yet.
    assert api.get("/v1/outlook", params={"days": 9}).json()["waste_cases"] == 0

    for hours in (0, 1):
        in_each_site(look_ahead)(database, NOW + timedelta(hours=hours))
    (notice,) = api.get("/v1/outbox").json()["items"]
    assert notice["kind"] == "waste.expected"
    facts = notice["data"]
    assert (facts["lot_code"], facts["cases"], facts["value"], facts["act_by"]) == ("L1", 70, 875.0, day(16))


def test_since_when_it_could_be_known_goes_by_what_was_forecast_then(
    api: Api, database: Database, clock: Clock
) -> None:
    """100 cases for 21 days: at 10 a day they sell, at 2 a day 58 do not."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        lot = make_lot(session, NOW, caller, best_before_on=TODAY + timedelta(days=20))
        make_unit(session, NOW, caller, lot, cases=100, received_at=NOW - timedelta(days=9))
        product_id = lot.product_id

    def forecast(cases: int, on: int) -> None:
        clock.now = NOW + timedelta(days=on)
        rows = [
            {"product_id": product_id, "customer_id": None, "day": day(number), "cases": cases}
            for number in range(21)
        ]
        api.as_("lead").made("/v1/forecasts", {"forecasts": rows})

    def seen() -> tuple[int, str | None]:
        clock.now = NOW
        told = api.get("/v1/outlook", params={"days": 60}).json()
        return told["waste_cases"], told["shown_on"]

    forecast(10, on=-6)
    assert seen() == (0, None)
    forecast(2, on=-4)
    assert seen() == (58, day(-4))
    # What is said once more is no news.
    forecast(2, on=-2)
    assert seen() == (58, day(-4))
    # Who acted by the word of the day before yesterday would have been wrong.
    forecast(10, on=-1)
    forecast(2, on=0)
    assert seen() == (58, day(0))
    with database.transaction(readonly=True) as session:
        said = session.execute(
            select(func.count(), func.min(col(ForecastVersion.cases)), func.max(col(ForecastVersion.cases)))
        ).one()
    assert tuple(said) == (4 * 21, 2, 10)


def test_an_order_placed_later_was_not_known_before(api: Api, database: Database, clock: Clock) -> None:
    """60 cases, of which 10 a day are forecast for 4 days, and 15 more are ordered two days ago."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        lot = make_lot(session, NOW, caller, best_before_on=TODAY + timedelta(days=8))
        make_unit(session, NOW, caller, lot, cases=60, received_at=NOW - timedelta(days=9))
        order_id = make_order(
            session, NOW - timedelta(days=2), caller, {lot.product_id: 15},
            ship_on=TODAY + timedelta(days=6), deliver_on=TODAY + timedelta(days=6),
        ).id  # fmt: skip
        product_id = lot.product_id
    clock.now = NOW - timedelta(days=5)
    rows = [
        {"product_id": product_id, "customer_id": None, "day": day(number), "cases": 10}
        for number in range(4)
    ]
    api.as_("lead").made("/v1/forecasts", {"forecasts": rows})
    clock.now = NOW
    # 20 cases were too many before the order came, 5 are since; both times some.
    told = api.get("/v1/outlook", params={"days": 60}).json()
    assert (told["waste_cases"], told["shown_on"]) == (5, day(-5))
    # Reserved, the order's cases are no free stock and no demand, now as then.
    api.as_("dispatcher").made("/v1/allocations", {"order_ids": [order_id]})
    told = api.get("/v1/outlook", params={"days": 60}).json()
    assert (told["waste_cases"], told["shown_on"]) == (5, day(-5))


def test_reserved_cases_and_cases_for_them_are_looked_at_together(api: Api, database: Database) -> None:
    """What an order has reserved is no free stock, and the order asks for it no second time."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        lot = make_lot(session, NOW, caller, best_before_on=TODAY + timedelta(days=10))
        make_unit(session, NOW, caller, lot, cases=48)
        order = make_order(session, NOW, caller, {lot.product_id: 30})
        product_id = lot.product_id
    rows = [{"product_id": product_id, "customer_id": None, "day": day(1), "cases": 35}]
    api.made("/v1/forecasts", {"forecasts": rows})
    before = api.get("/v1/outlook").json()["products"][0]
    api.made("/v1/allocations", {"order_ids": [order.id]})
    after = api.get("/v1/outlook").json()["products"][0]
    assert (before["free_cases"], before["sold_cases"], before["waste_cases"]) == (48, 35, 13)
    assert (after["free_cases"], after["sold_cases"], after["waste_cases"]) == (18, 5, 13)


def test_without_a_forecast_the_mean_of_past_weekdays_stands_in(api: Api, database: Database) -> None:
    caller = api.callers["lead"]
    with database.transaction() as session:
        lot = make_lot(session, NOW, caller, best_before_on=TODAY + timedelta(days=13))
        make_unit(session, NOW, caller, lot, cases=48)
        inn = make_customer(session, NOW, caller)
        past: list[dict[str, Any]] = []
        for week in range(1, 7):
            on = TODAY - timedelta(days=7 * week)
            past.append({"ship_on": on, "deliver_on": on})
        for facts in past:
            order = make_order(session, NOW, caller, {lot.product_id: 6}, inn, **facts)
            order.state = "departed"
    (row,) = api.get("/v1/outlook", params={"days": 20}).json()["products"]
    # Six a week on one weekday, today and in a week; the third falls a day too late.
    assert (row["demand_from"], row["sold_cases"], row["waste_cases"]) == ("mean of past weekdays", 12, 36)


def test_an_outlook_goes_by_the_earliest_of_a_pallet_s_dates(api: Api, database: Database) -> None:
    caller = api.callers["lead"]
    with database.transaction() as session:
        lot = make_lot(session, NOW, caller, best_before_on=TODAY + timedelta(days=50))
        zone = make_zone(session, NOW, caller)
        for _ in range(2):
            make_unit(session, NOW, caller, lot, zone, cases=10)
        life = SQLModel.metadata.tables["life"]
        content_id = session.connection().exec_driver_sql("SELECT min(id) FROM unit_content").scalar_one()
        row = {"content_id": content_id, "site_id": caller.site_id, "as_of_at": NOW, "limited_by": "staling"}
        ends = {"expires_at": NOW + timedelta(days=6), "cautious_at": NOW + timedelta(days=5)}
        session.execute(insert(life).values(**row, **ends))
        product_id = lot.product_id
    rows = [{"product_id": product_id, "day": day(number), "cases": 9} for number in (7, 30)]
    api.made("/v1/forecasts", {"forecasts": rows})
    (wasted,) = api.get("/v1/outlook", params={"days": 40}).json()["lots"]
    assert (wasted["last_on"], wasted["cases"], wasted["act_by"]) == (day(5), 10, None)


def test_a_forecast_file_may_be_read_again_with_other_figures(api: Api, database: Database) -> None:
    caller = api.callers["lead"]
    with database.transaction() as session:
        make_product(session, NOW, caller, sku="LAGER")
        make_customer(session, NOW, caller, code="INN")

    def load(text: str) -> Any:
        return run_import(database, "forecast", text.encode(), site=None, encoding=None, partial=False)

    first = load("sku,customer,day,cases\nLAGER,INN,2026-03-20,5\nLAGER,,2026-03-20,7\n")
    assert (first.created, first.unchanged, first.faults) == (2, 0, [])
    second = load("sku,customer,day,cases\nLAGER,INN,2026-03-20,6\nLAGER,,2026-03-20,7\n")
    assert (second.created, second.amended, second.unchanged) == (0, 1, 1)
    third = load('[{"sku": "LAGER", "customer": "INN", "day": "2026-03-20", "cases": 6}]')
    assert (third.unchanged, third.faults) == (1, [])
    bad = load("sku,customer,day,cases\nPORTER,INN,2026-03-20,6\nLAGER,BAR,2026-03-20,7\nLAGER,,20.3.,-1\n")
    assert sorted({fault.column for fault in bad.faults}) == ["cases", "customer", "day", "sku"]
    held = api.get("/v1/forecasts").json()["items"]
    assert sorted(one["cases"] for one in held) == [6, 7]


def test_a_store_s_own_lots_and_orders_can_be_replayed(api: Api, database: Database) -> None:
    """Of two lots of one printed date the second is over in 6 days by the model; only the model takes it first."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, NOW, caller, sku="LAGER")
        zone = make_zone(session, NOW, caller)
        for code in ("L1", "L2"):
            lot = make_lot(
                session, NOW, caller, product, code=code, best_before_on=TODAY + timedelta(days=14)
            )
            make_unit(session, NOW, caller, lot, zone, cases=10)
        life = SQLModel.metadata.tables["life"]
        content_id = session.connection().exec_driver_sql("SELECT max(id) FROM unit_content").scalar_one()
        row = {"content_id": content_id, "site_id": caller.site_id, "as_of_at": NOW, "limited_by": "staling"}
        ends = {"expires_at": NOW + timedelta(days=6), "cautious_at": NOW + timedelta(days=6)}
        session.execute(insert(life).values(**row, **ends))
        inn = make_customer(session, NOW, caller)
        for week in range(2):
            on = TODAY + timedelta(days=7 * week)
            make_order(session, NOW, caller, {product.id: 10}, inn, ship_on=on, deliver_on=on)
    draws = {"replications": 3, "seed": 1}
    with database.transaction(readonly=True) as session:
        found, period = compare_own(session, None, None, None, None, None, draws, 0.95)
    assert period == {"from": day(0), "to": day(7), "days": 28}
    measures = found["LAGER"].measures
    # Delivered on days 0 and 7, asked for on days 14 and 21, too: two deliveries well by model, one by label.
    told = {policy: (one["delivered"].mean, one["waste"].mean) for policy, one in measures.items()}
    assert told[Policy.MODELLED] == (20, 0)
    assert told[Policy.LABEL] == (10, 10)
