"""
The main job on temperatures nobody here made: a typical year that ships with a solar-energy library.

Beer stands in a shed without refrigeration in Greensboro, North Carolina, and ages with the weather. Source of
the air: TMY3 file 723170 (National Solar Radiation Database, typical meteorological year 3), as packaged with
pvlib. Ageing: furfural law, DOI 10.18832/kp1978005. What the service says is held against adaptive quadrature
by SciPy's QUADPACK, which shares no code with it.
"""

from __future__ import annotations

import math
import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from builders.api import Api
from builders.grounds import Clock
from rimekeep.stock.core.gs1 import sscc

YEAR_START = datetime(2025, 1, 1, 0, 0, tzinfo=UTC)
YEAR_END = datetime(2026, 1, 1, 0, 0, tzinfo=UTC)
ACTIVATION, LIFE_AT_20, R = 101.8, 200.0, 8.314462618
PLANNED_C = 4.0


@pytest.fixture(scope="module")
def shed_air() -> np.ndarray:
    """Dry-bulb air of each hour of the typical year. [°C], shape (8760,)"""
    with warnings.catch_warnings():
        # The library warns of its own coming changes; they do not touch the file.
        warnings.simplefilter("ignore")
        import pvlib

        path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
        frame, station = pvlib.iotools.read_tmy3(path, map_variables=True)
    assert station["USAF"] == 723170
    return frame["temp_air"].to_numpy(dtype=float)


def rate(temp_c: float) -> float:
    """Life used a day."""
    return math.exp(-ACTIVATION * 1e3 / R * (1 / (temp_c + 273.15) - 1 / 293.15)) / LIFE_AT_20


def quadrature(air: list[float], from_h: float, until_h: float) -> float:
    """Life used between two hours of the year under air joined by straight lines."""

    def rate_at(hour: float) -> float:
        before = min(int(hour), len(air) - 2)
        return rate(air[before] + (air[before + 1] - air[before]) * (hour - before)) / 24

    total = 0.0
    for begin in np.arange(from_h, until_h, 24.0):
        end = min(begin + 24.0, until_h)
        inner = [float(hour) for hour in range(int(begin) + 1, math.ceil(end))]
        total += quad(rate_at, begin, end, points=inner or None, limit=200, epsabs=0, epsrel=1e-9)[0]
    return total


def month_starts() -> list[datetime]:
    return [datetime(2025, month, 1, tzinfo=UTC) for month in range(1, 13)]


@pytest.fixture(scope="module")
def by_month(shed_air: np.ndarray) -> list[float]:
    """Share of life each month's weather uses."""
    air = shed_air.tolist()
    edges = [(start - YEAR_START) / timedelta(hours=1) for start in month_starts()]
    shares = [quadrature(air, begin, end) for begin, end in zip(edges, [*edges[1:], 8759.0], strict=True)]
    # The year's last reading is of 23:00; its value holds for the hour to midnight.
    shares[-1] += rate(air[-1]) / 24
    return shares


def set_up(api: Api) -> dict[str, Any]:
    """A shed, one beer whose core follows the air at once, twelve lots, one pallet each, received monthly."""
    product = api.made(
        "/v1/products",
        {
            "sku": "ALE-B24",
            "name": "Test ale",
            "package": "bottle",
            "abv_pct": 5.0,
            "case_mass_kg": 14.6,
            "cases_per_layer": 8,
            "layers_per_pallet": 6,
            "pallet_tare_kg": 25,
            "footprint": "800x1200",
            "carry_min_c": -20,
            "carry_max_c": 40,
        },
    )
    zone = api.made("/v1/zones", {"code": "SHED", "name": "Shed", "kind": "store", "planned_c": PLANNED_C})
    api.made(
        f"/v1/products/{product['id']}/profiles",
        {
            "tau_h": 0,
            "planned_c": PLANNED_C,
            "freezing_minutes": 10080,
            "reason": "weather test",
            "routes": [
                {
                    "name": "flavour",
                    "reference_c": 20,
                    "reference_life_days": LIFE_AT_20,
                    "activation_kj_mol": ACTIVATION,
                    "source": "invented",
                }
            ],
        },
    )
    api.made("/v1/sensors", {"code": "shed", "zone_id": zone["id"], "interval_s": 3600})
    for number, start in enumerate(month_starts(), start=1):
        lot = api.made(
            "/v1/lots",
            {
                "product_id": product["id"],
                "code": f"M{number:02d}",
                "packaged_at": (start - timedelta(hours=1)).isoformat(),
                "best_before_on": str((start + timedelta(days=3000)).date()),
            },
        )
        api.made(f"/v1/lots/{lot['id']}/release", {"reason": "tasted and good"})
        api.made(
            "/v1/units",
            {
                "sscc": sscc(3, "9521234", number),
                "zone_id": zone["id"],
                "contents": [{"lot_id": lot["id"], "cases": 48}],
                "received_at": start.isoformat(),
            },
        )
    return {"product": product, "zone": zone}


def test_a_year_in_an_unrefrigerated_shed(
    api: Api, clock: Clock, shed_air: np.ndarray, by_month: list[float]
) -> None:
    clock.now = YEAR_END
    made = set_up(api)
    readings = [
        {
            "sensor": "shed",
            "at": (YEAR_START + timedelta(hours=hour)).isoformat(),
            "temp": float(temp),
            "unit": "Cel",
        }
        for hour, temp in enumerate(shed_air)
    ]
    taken = api.as_("gateway").made("/v1/readings", {"readings": readings})
    assert (taken["stored"], taken["refused"]) == (8760, 0)
    api.made("/v1/life/refresh", {})

    used, ends = [], {}
    for number in range(1, 13):
        (life,) = api.ok("GET", f"/v1/units/{sscc(3, '9521234', number)}/life")["lives"]
        used.append(life["used"]["flavour"])
        ends[f"M{number:02d}"] = datetime.fromisoformat(life["expires_at"])

    # Month by month: what a lot used beyond the lot a month younger is that month's weather.
    measured = [older - younger for older, younger in zip(used, [*used[1:], 0.0], strict=True)]
    assert measured == pytest.approx(by_month, rel=1e-7)
    assert max(range(12), key=by_month.__getitem__) == 6  # July
    assert by_month[6] > 8 * by_month[0]

    # The end, kept at 4 °C from now on, and so the order to pick in, follow from the same independent figures.
    spent = [sum(by_month[number:]) for number in range(12)]
    expected_ends = {
        f"M{number + 1:02d}": YEAR_END + timedelta(days=max(0.0, (1 - share) / rate(PLANNED_C)))
        for number, share in enumerate(spent)
    }
    alive = [name for name, share in zip(sorted(ends), spent, strict=True) if share < 1]
    for name in alive:
        assert abs(ends[name] - expected_ends[name]) < timedelta(minutes=1), name
    assert 3 <= len(alive) < 12

    customer = api.made("/v1/customers", {"code": "C", "name": "Customer", "min_life_days": 30})
    today = str(YEAR_END.date())
    api.made(
        "/v1/orders",
        {
            "code": "SO",
            "customer_id": customer["id"],
            "ship_on": today,
            "deliver_on": today,
            "lines": [{"product_id": made["product"]["id"], "cases": 48 * (len(alive) - 1)}],
        },
    )
    (line,) = api.made("/v1/allocations", {"ship_on": today})["lines"]
    expected = sorted(alive, key=lambda name: expected_ends[name])[: len(alive) - 1]
    assert [taken["lot_code"] for taken in line["taken"]] == expected
    assert line["short"] is None
