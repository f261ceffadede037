"""Ageing profiles and life over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.stock import make_lot, make_product, make_unit, make_zone
from conftest import Clock
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Product

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
PROFILE = {
    "tau_h": 12,
    "planned_c": 4,
    "routes": [
        {
            "name": "staling",
            "reference_c": 20,
            "reference_life_days": 120,
            "activation_kj_mol": 101.8,
            "source": "trial",
        },
        {"name": "haze", "reference_c": 20, "reference_life_days": 200, "activation_kj_mol": 60},
    ],
    "reason": "forced ageing of the invented lager",
}


@pytest.fixture
def product(api: Api, database: Database) -> Product:
    with database.transaction() as session:
        return make_product(session, NOW, api.callers["qa"])


def stocked(session: Session, api: Api, product: Product) -> tuple[str, int]:
    """Two pallets of one lot that came in together into a watched room; return the first one's SSCC, and the lot."""
    qa = api.callers["qa"]
    zone = make_zone(session, NOW, qa, code="COLD")
    make_sensor(session, NOW, qa, zone, code="s")
    say(session, NOW, qa.site_id, series("s", NOW - timedelta(days=3), NOW, 6.0))
    lot = make_lot(session, NOW, qa, product)
    facts: dict[str, Any] = {"received_at": NOW - timedelta(days=2), "start_core_c": 15.0}
    units = [make_unit(session, NOW, qa, lot, zone, **facts) for _ in range(2)]
    return units[0].sscc, lot.id


def test_profiles_are_versioned_and_never_replaced(api: Api, product: Product) -> None:
    path = f"/v1/products/{product.id}/profiles"
    first = api.as_("qa").made(path, PROFILE)
    # Trade formula for 11.8 °P and 4 % by mass: −(0.04·11.8 + 0.42·4 + 0.2).
    assert (first["version"], first["freezing_c"]) == (1, pytest.approx(-2.352))
    assert api.as_("qa").made(path, {**PROFILE, "tau_h": 20})["version"] == 2
    listed = api.as_("auditor").ok("GET", path)["items"]
    assert [(row["version"], row["tau_h"]) for row in listed] == [(1, 12), (2, 20)]
    assert listed[0]["routes"][1] == {**PROFILE["routes"][1], "source": ""}  # type: ignore[index]
    assert api.as_("lead").post(path, PROFILE).status_code == 403


def test_freezing_point_of_an_unknown_beer_is_a_cautious_guess(api: Api, database: Database) -> None:
    with database.transaction() as session:
        product = make_product(
            session, NOW, api.callers["qa"], original_extract_p=None, alcohol_mass_pct=None
        )
    assert api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)["freezing_c"] == -2.0


def test_profiles_nobody_can_mean_are_refused(api: Api, product: Product) -> None:
    path = f"/v1/products/{product.id}/profiles"
    route = PROFILE["routes"][0]  # type: ignore[index]
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"tau_h": -1}, "tau_h"),
        ({"planned_c": 200}, "planned_c"),
        ({"freezing_minutes": -1}, "freezing_minutes"),
        ({"routes": []}, "routes"),
        ({"routes": [route, route]}, "routes[1].name"),
        ({"routes": [{**route, "name": "best before"}]}, "routes[0].name"),
        ({"routes": [{**route, "activation_kj_mol": 101_800}]}, "routes[0].activation_kj_mol"),
        ({"routes": [{**route, "reference_life_days": 0}]}, "routes[0].reference_life_days"),
        ({"reason": ""}, "reason"),
    ]
    for change, field in wrong:
        problem = api.as_("qa").refused(path, {**PROFILE, **change}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
        assert problem["errors"][0]["mend"]
    api.as_("qa").refused("/v1/products/999999/profiles", PROFILE, 404, "product-not-found")
    assert api.get("/v1/products/999999/profiles").status_code == 404


def test_life_says_what_ends_it_when_and_where_it_was_spent(
    api: Api, product: Product, database: Database
) -> None:
    api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)
    with database.transaction() as session:
        sscc, lot_id = stocked(session, api, product)
    assert api.as_("lead").made("/v1/life/refresh", {}) == {"units": 2, "changed": 2, "frozen": 0}
    shown = api.as_("picker").ok("GET", f"/v1/units/{sscc}/life")
    life = shown["lives"][0]
    assert shown["as_of_at"] == "2026-03-16T06:00:00Z"
    assert (life["limited_by"], life["profile_version"], life["bridged_s"]) == ("best before", 1, 0)
    assert 0 < life["used"]["staling"] < 0.02
    # Core after 48 h in air of 6 °C from 15 °C, τ 12 h: 6 + 9·exp(−4).
    assert life["core_c"] == pytest.approx(6.164841, abs=1e-6)
    assert (life["legs"][0]["zone_code"], life["legs"][0]["sensors"]) == ("COLD", ["s"])
    curve = life["curve"]
    assert 100 < len(curve) <= 200
    assert (curve[0]["core_c"], curve[0]["used"]["staling"]) == (15.0, 0.0)
    assert curve[-1]["used"] == pytest.approx(life["used"])
    assert life["packs"][0]["stored_expires_at"] == life["expires_at"]
    together = api.ok("GET", f"/v1/lots/{lot_id}/life")["lives"]
    assert len(together) == 1
    assert len(together[0]["packs"]) == 2


def test_life_before_the_first_refresh_is_shown_too(api: Api, product: Product, database: Database) -> None:
    with database.transaction() as session:
        sscc, _ = stocked(session, api, product)
    life = api.ok("GET", f"/v1/units/{sscc}/life")["lives"][0]
    assert (life["limited_by"], life["curve"], life["packs"][0]["stored_as_of_at"]) == (
        "best before",
        [],
        None,
    )


def test_unknown_units_and_other_sites_are_not_there(
    api: Api, product: Product, database: Database, clock: Clock
) -> None:
    with database.transaction() as session:
        sscc, lot_id = stocked(session, api, product)
    api.tokens["other"] = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    for path in (f"/v1/units/{sscc}/life", f"/v1/lots/{lot_id}/life", f"/v1/products/{product.id}/profiles"):
        assert api.as_("other").get(path).status_code == 404
    assert api.get("/v1/units/000000000000000000/life").status_code == 404
    assert api.get("/v1/units/a%00b/life").status_code in (404, 422)
    assert api.as_("other").made("/v1/life/refresh", {"content_ids": [1, 2]})["units"] == 0
    assert api.as_("picker").post("/v1/life/refresh", {}).status_code == 403
    bad = api.as_("qa").refused("/v1/life/refresh", {"content_ids": ["one"]}, 422, "invalid-input")
    assert bad["errors"][0]["field"] == "content_ids[0]"
