"""Versions of how a product ages: what they take, what they show, and that nothing ever edits one."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, select

import rimekeep
from builders.api import Api
from builders.checks import records
from builders.stock import make_product
from rimekeep.main import endpoints
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.shelflife import queries
from rimekeep.shelflife.tables import AgeingProfile
from rimekeep.stock.tables import Product

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
STALING: dict[str, Any] = {
    "name": "staling",
    "reference_c": 20,
    "reference_life_days": 120,
    "activation_kj_mol": 101.8,
    "life_sd_days": 6,
    "parameter_sd": 4,
    "correlation": 0.3,
    "source": "E: furfural law, DOI 10.18832/kp1978005; the rest invented",
}
HAZE: dict[str, Any] = {
    "form": "q10",
    "name": "haze",
    "reference_c": 20,
    "reference_life_days": 200,
    "q10": 2,
    "source": "common practice, no source",
}
GROWTH: dict[str, Any] = {
    "form": "square root",
    "name": "growth",
    "reference_c": 10,
    "reference_life_days": 900,
    "t_min_c": 2,
    "life_sd_days": 20,
    "parameter_sd": 0.5,
    "source": "from memory",
}
PROFILE: dict[str, Any] = {
    "tau_h": 12,
    "planned_c": 4,
    "routes": [STALING, HAZE, GROWTH],
    "reason": "forced ageing of the invented lager",
}


@pytest.fixture
def product(api: Api, database: Database) -> Product:
    with database.transaction() as session:
        return make_product(session, NOW, api.callers["qa"])


@pytest.fixture
def path(product: Product) -> str:
    return f"/v1/products/{product.id}/profiles"


def test_profiles_are_versioned_and_never_replaced(api: Api, path: str) -> None:
    first = api.as_("qa").made(path, PROFILE)
    # Trade formula for 11.8 °P and 4 % by mass: −(0.04·11.8 + 0.42·4 + 0.2).
    assert (first["version"], first["freezing_c"]) == (1, pytest.approx(-2.352))
    assert api.as_("qa").made(path, {**PROFILE, "tau_h": 20})["version"] == 2
    listed = api.as_("auditor").ok("GET", path)["items"]
    assert [(row["version"], row["tau_h"]) for row in listed] == [(1, 12), (2, 20)]
    for shown, given in zip(listed[0]["routes"], PROFILE["routes"], strict=True):
        empty = {
            "activation_kj_mol": None,
            "q10": None,
            "t_min_c": None,
            "life_sd_days": None,
            "parameter_sd": None,
        }
        assert shown == {"form": "arrhenius", **empty, "correlation": 0, "remarks": [], **given}
    assert api.as_("lead").post(path, PROFILE).status_code == 403


def test_no_endpoint_and_no_statement_edits_a_version(api: Api, path: str, database: Database) -> None:
    """POST adds; nothing else exists for profiles, and no UPDATE or DELETE of the table is ever sent."""
    methods = {
        (method, route.path_format)
        for route in endpoints()
        for method in route.methods or ()
        if "profiles" in route.path_format
    }
    assert {method for method, _ in methods} == {"GET", "POST"}
    assert [where for method, where in methods if method == "POST"] == ["/v1/products/{product_id}/profiles"]
    sent: list[str] = []
    event.listen(
        database.engine, "before_cursor_execute", lambda c, cur, sql, *_: sent.append(sql), named=False
    )
    made = api.as_("qa").made(path, PROFILE)
    api.as_("qa").made(path, PROFILE)
    assert any(re.match(r"INSERT INTO ageing_profile", sql) for sql in sent)
    assert not [sql for sql in sent if re.match(r"(UPDATE|DELETE FROM) ageing_profile", sql)]
    assert api.ok("GET", f"{path}/1")["routes"] == made["routes"]


def test_no_line_of_code_writes_to_a_stored_profile() -> None:
    """Whoever may import the table is searched for an update, a delete or an assignment to a profile's field."""
    fields = "|".join(set(AgeingProfile.model_fields) - {"id"})
    found, looked = [], 0
    for file in Path(rimekeep.__file__).parent.rglob("*.py"):
        code = file.read_text(encoding="utf-8")
        if "AgeingProfile" not in code or file.name == "tables.py":
            continue
        looked += 1
        for pattern in (
            r"(update|delete)\(AgeingProfile",
            rf"\b(profile|newest|added|made)\.({fields}) = ",
            r"upsert\(\s*session,\s*AgeingProfile",
        ):
            found += [(file.name, hit.group()) for hit in re.finditer(pattern, code)]
    assert looked >= 3
    assert found == []


def test_every_figure_of_a_version_stands_in_the_ledger(api: Api, path: str, database: Database) -> None:
    made = api.as_("qa").made(path, {**PROFILE, "oxygen_ref_ppb": 60, "oxygen_exponent": 0.4})
    with database.transaction(readonly=True) as session:
        row = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "profile.added")).one()
    assert (row.reason, row.data["version"], row.actor_id) == (PROFILE["reason"], 1, made["author_id"])
    assert (row.data["oxygen_ref_ppb"], row.data["oxygen_exponent"]) == (60, 0.4)
    assert [route["source"] for route in row.data["routes"]] == [
        route["source"] for route in PROFILE["routes"]
    ]


def test_each_form_is_stored_as_the_core_computes_with_it(api: Api, path: str, database: Database) -> None:
    made = api.as_("qa").made(path, {**PROFILE, "oxygen_ref_ppb": 60, "oxygen_exponent": 0.4})
    with database.transaction(readonly=True) as session:
        row = session.get(AgeingProfile, made["id"])
        assert row is not None
        profile = queries.core_profile(row)
    assert [route.form for route in profile.routes] == ["arrhenius", "q10", "square root"]
    staling, haze, growth = profile.routes
    # E = 101.8 kJ/mol gives 109.998 between 37 and 4 °C (computed from DOI 10.18832/kp1978005).
    (record,) = records("staling_ratios", "arrhenius_ratio")
    assert staling.rate_per_day(37) / staling.rate_per_day(4) == pytest.approx(
        record["expected"]["ratio_warm_over_cold"], rel=1e-9
    )
    assert haze.rate_per_day(30) == pytest.approx(2 / 200)
    assert growth.rate_per_day(6) == pytest.approx((4 / 8) ** 2 / 900)
    assert (profile.oxygen_ref_ppb, profile.oxygen_exponent) == (60, 0.4)


def test_a_version_says_what_limits_it_how_surely_and_what_is_missing(api: Api, path: str) -> None:
    made = api.as_("qa").made(path, PROFILE)
    # Haze at 4 °C: 200·2^1.6 = 606 d; staling 120·11.1 = 1338 d; growth 900·(8/2)² = 14 400 d.
    assert made["limited_by"] == "haze"
    assert made["life_at_planned_days"] == pytest.approx(200 * 2**1.6)
    assert (made["life_sd_at_planned_days"], made["least_known"]) == (None, None)
    assert any("haze" in text and "standard deviation" in text for text in made["remarks"])
    sure = api.as_("qa").made(path, {**PROFILE, "routes": [STALING]})
    assert (sure["limited_by"], sure["least_known"]) == ("staling", "staling: answer to temperature")
    assert 0.05 < sure["life_sd_at_planned_days"] / sure["life_at_planned_days"] < 0.15
    assert sure["remarks"] == []
    warm = api.as_("qa").made(path, {**PROFILE, "planned_c": 20, "routes": [STALING]})
    assert (warm["least_known"], warm["life_sd_at_planned_days"]) == (
        "staling: reference life",
        pytest.approx(6),
    )


def test_a_version_stands_beside_what_was_published(api: Api, path: str) -> None:
    api.as_("qa").made(path, PROFILE)
    shown = api.as_("picker").ok("GET", f"{path}/1")
    staling, haze, growth = shown["plausibility"]
    assert (staling["place"], staling["nearest"]["what"]) == ("within", "furfural")
    assert staling["ratio"] == pytest.approx(110, rel=0.001)
    assert "LWT 154" in staling["lowest"]["source"]
    assert "common practice, no source" in staling["thumb_source"]
    assert haze["place"] == "below"
    assert growth["ratio"] == pytest.approx((35 / 2) ** 2)
    assert growth["place"] == "above"
    assert api.get(f"{path}/2").status_code == 404
    assert api.get(f"{path}/0").status_code == 422


def test_rates_are_a_table_for_a_plot(api: Api, path: str) -> None:
    api.as_("qa").made(path, {**PROFILE, "routes": [STALING, GROWTH]})
    table = api.as_("dispatcher").ok("GET", f"{path}/1/rates")
    rows = table["rows"]
    assert [row["temp_c"] for row in rows] == list(range(-2, 41))
    assert (table["version"], len(rows[0]["routes"])) == (1, 2)
    # Below its T_min growth never ends anything.
    assert rows[0]["routes"][1] == {"route": "growth", "days": None, "sd_days": None}
    at_20 = rows[22]
    assert (at_20["temp_c"], at_20["routes"][0]["days"]) == (20, pytest.approx(120))
    assert at_20["routes"][0]["sd_days"] == pytest.approx(6)
    few = api.ok("GET", f"{path}/1/rates?from_c=3.5&to_c=6")["rows"]
    assert [row["temp_c"] for row in few] == [3.5, 4.5, 5.5]
    for query in ("from_c=9&to_c=9", "from_c=-99", "to_c=nan", "to_c=1000", "from_c=warm"):
        assert api.get(f"{path}/1/rates?{query}").status_code == 422, query
    assert api.get(f"{path}/7/rates").status_code == 404


def test_freezing_point_of_an_unknown_beer_is_a_cautious_guess(api: Api, database: Database) -> None:
    with database.transaction() as session:
        product = make_product(
            session, NOW, api.callers["qa"], original_extract_p=None, alcohol_mass_pct=None
        )
    assert api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)["freezing_c"] == -2.0


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"tau_h": -1}, "tau_h"),
    ({"planned_c": 200}, "planned_c"),
    ({"freezing_minutes": -1}, "freezing_minutes"),
    ({"routes": []}, "routes"),
    ({"routes": [STALING, STALING]}, "routes[1].name"),
    ({"routes": [{**STALING, "name": "best before"}]}, "routes[0].name"),
    ({"routes": [{**STALING, "activation_kj_mol": 101_800}]}, "routes[0].activation_kj_mol"),
    ({"routes": [{**STALING, "reference_life_days": 0}]}, "routes[0].reference_life_days"),
    ({"routes": [{**STALING, "activation_kj_mol": None}]}, "routes[0].activation_kj_mol"),
    ({"routes": [{**STALING, "form": "q10"}]}, "routes[0].q10"),
    ({"routes": [{**STALING, "q10": 3}]}, "routes[0].q10"),
    ({"routes": [{**STALING, "form": "linear"}]}, "routes[0].form"),
    ({"routes": [{**GROWTH, "t_min_c": 10}]}, "routes[0].t_min_c"),
    ({"routes": [{**STALING, "life_sd_days": -1}]}, "routes[0].life_sd_days"),
    ({"routes": [{**STALING, "parameter_sd": -1}]}, "routes[0].parameter_sd"),
    ({"routes": [{**STALING, "correlation": 1.1}]}, "routes[0].correlation"),
    ({"routes": [STALING, {**HAZE, "source": ""}]}, "routes[1].source"),
    ({"routes": [{key: value for key, value in STALING.items() if key != "source"}]}, "routes[0].source"),
    ({"oxygen_exponent": 0.5}, "oxygen_ref_ppb"),
    ({"oxygen_exponent": -0.5}, "oxygen_exponent"),
    ({"oxygen_exponent": 9, "oxygen_ref_ppb": 50}, "oxygen_exponent"),
    ({"oxygen_ref_ppb": 0}, "oxygen_ref_ppb"),
    ({"reason": ""}, "reason"),
]


def test_profiles_nobody_can_mean_are_refused(api: Api, path: str) -> None:
    for change, field in WRONG:
        problem = api.as_("qa").refused(path, {**PROFILE, **change}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field, change
        assert problem["errors"][0]["mend"]
    api.as_("qa").refused("/v1/products/999999/profiles", PROFILE, 404, "product-not-found")
    for where in ("profiles", "profiles/1", "profiles/1/rates"):
        assert api.get(f"/v1/products/999999/{where}").status_code == 404
