"""A day whose goods share no air, and vehicles that can be divided for them; all of it invented."""

from __future__ import annotations

from typing import Any

from builders.api import Api
from builders.loads import instance

BASIC = instance("deck_s1_basic")
# Four rows of two; invented plate figures of a body of 60 m² and a unit with two evaporators.
COLD: dict[str, Any] = {
    "wall_area_m2": 60.0,
    "k_w_m2k": 0.4,
    "capacity_w": [
        {"outside_c": 30, "inside_c": 0, "watts": 5000},
        {"outside_c": 30, "inside_c": 20, "watts": 6000},
    ],
    "door_height_m": 2.2,
    "door_width_m": 2.0,
    "has_curtain": True,
    "bulkhead_w_k": 4.0,
    "evaporators": [{"watts": 3000}, {"watts": 3000}],
}
TRUCK = BASIC["truck"] | {"compartments": 2, "cold": COLD}
CLASSES = {"chilled": {"min_c": 2, "max_c": 6}, "cellar": {"min_c": 8, "max_c": 12}}


def goods(*kinds: tuple[str, str, int]) -> list[dict[str, Any]]:
    """Light pallets: stop, class, count."""
    return [
        {"id": f"{stop}-{name}-{k}", "stop": stop, "class": name, "weight_kg": 300}
        for stop, name, count in kinds
        for k in range(count)
    ]


# The cellar's goods go first, at the doors; the cold ones last, at the front wall.
DECK = BASIC | {
    "truck": TRUCK,
    "temperature_classes": CLASSES,
    "stops": [{"id": "A", "seq": 1}, {"id": "B", "seq": 2}],
    "pallets": goods(("A", "cellar", 3), ("B", "chilled", 2)),
}


def register(api: Api, count: int = 2, **changed: Any) -> list[int]:
    truck = {key: value for key, value in (TRUCK | changed).items() if key not in ("name", "available")}
    return [
        api.made("/v1/vehicles", {"code": f"T{k}", "name": f"Truck {k} (invented)", "truck": truck})["id"]
        for k in range(1, count + 1)
    ]
