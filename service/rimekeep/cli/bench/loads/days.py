"""
Invented days of deliveries, the same for a seed in every run.

Trucks, goods and customers are invented but typical: tares and limits as on common European vehicles, pallets
of beer between a few mixed cases and a full layer of bottles. No source beyond that.
"""

import random
from typing import Any

from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import LoadRequest

UNITS, DROPS = 250, 40

_TRACTOR = {
    "d_k_mm": 1600,
    "L_s_mm": 7700,
    "WB_mm": 3800,
    "e_mm": 600,
    "F0_kg": 5680,
    "D0_kg": 4620,
    "B0_kg": 6000,
    "front_max_kg": 8000,
    "drive_max_kg": 11_500,
    "bogie_max_kg": 24_000,
    "K_max_kg": 9600,
    "payload_max_kg": 23_700,
    "gross_max_kg": 40_000,
    "drive_min_share_pct": 25,
}
SEMI33 = {
    **_TRACTOR,
    "name": "semitrailer, 33 places",
    "rows": [{"x_mm": 600 + 1200 * row, "lanes": 3} for row in range(11)],
}
SEMI26 = {
    **_TRACTOR,
    "name": "semitrailer, 26 places",
    "rows": [{"x_mm": 500 + 1000 * row, "lanes": 2} for row in range(13)],
}
RIGID18 = {
    "name": "rigid truck, 18 places",
    "kind": "rigid",
    "front_axle_x_mm": -1100,
    "wheelbase_mm": 5200,
    "front_tare_kg": 4900,
    "rear_tare_kg": 4300,
    "front_max_kg": 7500,
    "rear_max_kg": 11_500,
    "payload_max_kg": 8800,
    "gross_max_kg": 18_000,
    "drive_min_share_pct": 25,
    "steer_min_share_pct": 20,
    "rows": [{"x_mm": 600 + 1200 * row, "lanes": 3} for row in range(6)],
}
TRUCKS = (SEMI33, SEMI26, RIGID18)

_CLASSES = {
    "draught": {"min_c": 1, "max_c": 3},
    "chilled": {"min_c": 2, "max_c": 6},
    "cellar": {"min_c": 5, "max_c": 12},
}
# Gross mass of a pallet by what stands on it. [kg]
_GOODS = (
    ("draught", (410, 560, 705, 850)),
    ("chilled", (290, 455, 620, 780, 905)),
    ("cellar", (330, 540, 735, 880)),
)


def invented_day(seed: int, *, units: int = UNITS, drops: int = DROPS) -> LoadRequest:
    """Return a day of a seed; seeds take turns with the kinds of truck and with light and heavy goods."""
    chance = random.Random(seed)  # noqa: S311 - the same invented day every time is what is wanted
    truck = TRUCKS[seed % len(TRUCKS)]
    weight = chance.choice((0.6, 0.8, 1.0, 1.15))
    # A few wholesalers take much, many bars a little; everyone takes something.
    appetite = [chance.paretovariate(1.6) for _ in range(drops)]
    extra = chance.choices(range(drops), appetite, k=units - drops)
    asked = [1 + extra.count(stop) for stop in range(drops)]
    pallets: list[dict[str, Any]] = []
    for stop, count in enumerate(asked):
        own = chance.sample(range(len(_GOODS)), chance.choices((1, 2, 3), (5, 4, 1))[0])
        kinds = [
            (name, round(chance.choice(masses) * weight, 1))
            for name, masses in (_GOODS[k] for k in own)
            for _ in range(2)
        ]
        for _ in range(count):
            name, mass_kg = chance.choice(kinds)
            pallets.append(
                {"id": f"P{len(pallets):03}", "stop": f"S{stop:02}", "class": name, "weight_kg": mass_kg}
            )
    return load_request(
        {
            "name": f"invented day {seed}",
            "truck": truck,
            "rules": {"max_stops_per_truck": chance.choice((None, 12))},
            "temperature_classes": _CLASSES,
            "stops": [{"id": f"S{stop:02}", "seq": stop + 1} for stop in range(drops)],
            "pallets": pallets,
        }
    )
