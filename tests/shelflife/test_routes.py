"""Ageing profiles and life over HTTP."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.grounds import Clock
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Product

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
PROFILE: dict[str, Any] = {
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
        {
            "name": "haze",
            "reference_c": 20,
            "reference_life_days": 200,
            "activation_kj_mol": 60,
            "source": "common practice, no source",
        },
    ],
    "reason": "forced ageing of the invented lager",
}


@pytest.fixture
def product(api: Api, database: Database) -> Product:
    with database.transaction() as session:
        return make_product(session, NOW, api.callers["qa"])


def stocked(session: Session, api: Api, product: Product, **lot_facts: Any) -> tuple[str, int]:
    """Two pallets of one lot that came in together into a watched room; return the first one's SSCC, and the lot."""
    qa = api.callers["qa"]
    zone = make_zone(session, NOW, qa, code="COLD")
    make_sensor(session, NOW, qa, zone, code="s")
    say(session, NOW, qa.site_id, series("s", NOW - timedelta(days=3), NOW, 6.0))
    lot = make_lot(session, NOW, qa, product, **lot_facts)
    facts: dict[str, Any] = {"received_at": NOW - timedelta(days=2), "start_core_c": 15.0}
    units = [make_unit(session, NOW, qa, lot, zone, **facts) for _ in range(2)]
    return units[0].sscc, lot.id


def test_life_says_what_ends_it_when_and_where_it_was_spent(
    api: Api, product: Product, database: Database
) -> None:
    api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)
    with database.transaction() as session:
        sscc, lot_id = stocked(session, api, product)
    assert api.as_("lead").made("/v1/life/refresh", {}) == {"looked_at": 2, "changed": 2, "frozen": 0}
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
    assert api.as_("other").made("/v1/life/refresh", {})["looked_at"] == 0
    assert api.as_("picker").post("/v1/life/refresh", {}).status_code == 403
    bad = api.as_("qa").refused("/v1/life/refresh", {"from_scratch": "perhaps"}, 422, "invalid-input")
    assert bad["errors"][0]["field"] == "from_scratch"


def test_a_planned_way_tells_what_it_leaves_and_what_it_costs(
    api: Api, product: Product, database: Database
) -> None:
    api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)
    with database.transaction() as session:
        sscc, _ = stocked(session, api, product, best_before_on=date(2030, 1, 1))
    before = api.as_("picker").ok("GET", f"/v1/units/{sscc}/life")["lives"][0]
    way = {"legs": [{"hours": 96, "temp_c": 2}, {"hours": 3, "temp_c": 12}, {"hours": 6, "temp_c": 4},
                    {"hours": 240, "temp_c": 20}]}  # fmt: skip
    told = api.as_("dispatcher").ok("POST", f"/v1/units/{sscc}/projection", json=way)["contents"][0]
    # The same way by the equation of the rate, leg by leg, with a core that lags: scipy's ODE solver.
    legs = [(leg["hours"], leg["temp_c"]) for leg in way["legs"]]
    route = PROFILE["routes"][0]
    state = [before["core_c"], before["used"][route["name"]]]
    for hours, air_c in legs:
        state = solve_ivp(
            lambda _, y, air_c=air_c: [
                (air_c - y[0]) / PROFILE["tau_h"],
                np.exp(-route["activation_kj_mol"] * 1000 / 8.314462618 * (1 / (y[0] + 273.15) - 1 / (route["reference_c"] + 273.15)))
                / route["reference_life_days"] / 24,
            ],
            (0, hours), state, method="DOP853", rtol=1e-11, atol=1e-12,
        ).y[:, -1]  # fmt: skip
    assert told["used"][route["name"]] == pytest.approx(state[1], rel=1e-8)
    assert told["core_c"] == pytest.approx(state[0], abs=1e-7)
    assert told["expires_now_at"] == before["expires_at"]
    assert told["cost_days"] > 20
    assert told["cautious_days_left"] <= told["days_left"]


def test_how_long_a_unit_may_wait_on_the_dock(api: Api, product: Product, database: Database) -> None:
    api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)
    with database.transaction() as session:
        sscc, _ = stocked(session, api, product)
    core_c = api.as_("picker").ok("GET", f"/v1/units/{sscc}/life")["lives"][0]["core_c"]
    told = api.ok("GET", f"/v1/units/{sscc}/waiting?air_c=20&core_limit_c=8&life_days=2")
    # Lumped warming, as in Çengel ch. 11: t = tau * ln((air - core)/(air - limit)).
    warm_h = PROFILE["tau_h"] * math.log((20 - core_c) / (20 - 8))
    assert told["contents"][0]["core_h"] == pytest.approx(warm_h, rel=1e-9)
    assert told["hours"] == min(told["contents"][0]["core_h"], told["contents"][0]["life_h"])
    assert api.get(f"/v1/units/{sscc}/waiting?air_c=20").status_code == 422


def test_ageing_anew_is_told_before_it_is_done(api: Api, product: Product, database: Database) -> None:
    api.as_("qa").made(f"/v1/products/{product.id}/profiles", PROFILE)
    with database.transaction() as session:
        sscc, _ = stocked(session, api, product, best_before_on=date(2030, 1, 1))
    api.made("/v1/life/refresh", {})
    before = api.ok("GET", f"/v1/units/{sscc}/life")["lives"][0]
    quick = {**PROFILE, "routes": [{**PROFILE["routes"][0], "reference_life_days": 20}]}
    api.made(f"/v1/products/{product.id}/profiles", quick)
    path = f"/v1/products/{product.id}/re-ageing"
    told = api.made(path, {"reason": "new trial"})
    assert (told["version"], told["looked_at"], told["moved"]) == (2, 2, 2)
    assert told["mean_days"] < -100
    assert api.ok("GET", f"/v1/units/{sscc}/life")["lives"][0]["expires_at"] == before["expires_at"]
    assert api.made(path, {"reason": "new trial", "is_preview": False}) == told
    after = api.ok("GET", f"/v1/units/{sscc}/life")["lives"][0]
    assert after["profile_version"] == 2
    moved = datetime.fromisoformat(after["expires_at"]) - datetime.fromisoformat(before["expires_at"])
    assert moved / timedelta(days=1) == pytest.approx(told["mean_days"], abs=0.05)
    assert api.as_("picker").post(path, {"reason": "no"}).status_code == 403
