"""Forced-ageing scores from CSV files: taken once, named line by line where they are wrong. All invented."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy.orm import Session

from builders.api import Api
from builders.stock import make_product
from builders.trials import body, samples
from rimekeep.platform.csvfile import ImportReport, read_rows
from rimekeep.platform.database import Database
from rimekeep.shelflife import queries, usecases
from rimekeep.stock.tables import Product

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)


@pytest.fixture
def product(api: Api, database: Database) -> Product:
    with database.transaction() as session:
        return make_product(session, NOW, api.callers["qa"])


@pytest.fixture
def path(product: Product) -> str:
    return f"/v1/products/{product.id}/calibrations"


HEAD = "sku,series,temp_c,temp_f,day,score"


def take(session: Session, api: Api, text: str) -> ImportReport:
    rows = read_rows(text.encode(), usecases.FORCED_AGEING_COLUMNS)
    return usecases.import_forced_ageing(session, NOW, api.callers["qa"], rows, lambda *_: None)


def lines(product: Product, data: list[tuple[float, float, float]], series: str = "SPRING") -> str:
    return "\n".join([HEAD, *(f"{product.sku},{series},{t},,{d},{s}" for t, d, s in data)]) + "\n"


def test_a_file_is_fitted_as_its_samples_are(
    api: Api, path: str, product: Product, database: Database
) -> None:
    with database.transaction() as session:
        report = take(session, api, lines(product, samples()))
    assert (report.created, report.unchanged, report.faults) == (40, 0, [])
    from_file = api.as_("qa").made(path, body(observations=None, series="SPRING"))
    sent = api.as_("qa").made(path, body())
    assert from_file["fit"] == sent["fit"]
    assert (from_file["series"], sent["series"]) == ("SPRING", None)
    shown = api.as_("auditor").ok(
        "GET", path.replace("calibrations", "forced-ageing") + "?series=SPRING&limit=1000"
    )
    assert [(one["temp_c"], one["day"], one["score"]) for one in shown["items"]] == samples()
    assert api.ok("GET", path.replace("calibrations", "forced-ageing") + "?series=OTHER")["items"] == []


def test_a_file_may_be_read_twice_or_again_with_more_lines(
    api: Api, product: Product, database: Database
) -> None:
    twin = [(20.0, 30.0, 6.5), (20.0, 30.0, 6.5), (37.0, 5.0, 6.1)]
    for data, created, unchanged in (
        (twin, 3, 0),
        (twin, 0, 3),
        ([*twin, (20.0, 30.0, 6.5), (37.0, 9.0, 5.0)], 2, 3),
        (twin[:1], 0, 1),
    ):
        with database.transaction() as session:
            report = take(session, api, lines(product, data))
        assert (report.created, report.unchanged, report.faults) == (created, unchanged, [])
    with database.transaction() as session:
        assert take(session, api, lines(product, twin, "AUTUMN")).created == 3
        assert len(queries.series_scores(session, product.site_id, product.id, "SPRING")) == 5


def test_fahrenheit_is_taken_where_it_is_named(api: Api, product: Product, database: Database) -> None:
    text = f"sku,series,temp_f,day,score\n{product.sku},F,98.6,5,6\n{product.sku},F,68,30,6\n"
    with database.transaction() as session:
        assert take(session, api, text).faults == []
        found = queries.series_scores(session, product.site_id, product.id, "F")
    assert [temp_c for temp_c, _, _ in found] == pytest.approx([37, 20])


def test_every_fault_of_a_file_names_its_line_and_column(
    api: Api, product: Product, database: Database
) -> None:
    rows = [
        f"{product.sku},S,20,,30,6.5",
        "NOBODY,S,20,,30,6.5",
        f"{product.sku},S,,,30,6.5",
        f"{product.sku},S,20,68,30,6.5",
        f"{product.sku},S,86,,30,6.5",
        f"{product.sku},S,20,,-1,6.5",
        f"{product.sku},S,20,,30,1e11",
        f"{product.sku},S,20,,x,6.5",
        f"{product.sku},,20,,30,6.5",
        f"{product.sku},S,20,,30,NaN",
    ]
    with database.transaction() as session:
        report = take(session, api, "\n".join([HEAD, *rows]))
    assert {(fault.line, fault.column) for fault in report.faults} == {
        (3, "sku"),
        (4, "temp_c"),
        (5, "temp_f"),
        (6, "temp_c"),
        (7, "day"),
        (8, "score"),
        (9, "day"),
        (10, "series"),
        (11, "score"),
    }
    assert all(fault.detail and fault.mend for fault in report.faults)


def test_a_series_does_not_grow_without_end(api: Api, product: Product, database: Database) -> None:
    with database.transaction() as session:
        report = take(session, api, lines(product, [(20.0, 1.0, float(n)) for n in range(2001)]))
    assert [(fault.line, fault.column) for fault in report.faults] == [(2002, "series")]
