"""Small invented fleets: semi-trailer, rigid, rigid with a tandem, drawbar combinations of both types."""

from typing import Any

SEMI: dict[str, Any] = {
    "name": "city semi (invented)",
    "d_k_mm": 900,
    "L_s_mm": 4200,
    "WB_mm": 3600,
    "e_mm": 500,
    "F0_kg": 5000,
    "D0_kg": 3600,
    "B0_kg": 2800,
    "front_max_kg": 7100,
    "drive_max_kg": 9500,
    "bogie_max_kg": 9000,
    "K_max_kg": 6500,
    "payload_max_kg": 9000,
    "gross_max_kg": 21_000,
    "rows": [{"x_mm": 500 + 1000 * r, "lanes": 2} for r in range(4)],
}
RIGID: dict[str, Any] = {
    "name": "rigid (invented)",
    "kind": "rigid",
    "front_axle_x_mm": -900,
    "wheelbase_mm": 4000,
    "front_tare_kg": 4200,
    "rear_tare_kg": 3300,
    "front_max_kg": 7500,
    "rear_max_kg": 11_500,
    "payload_max_kg": 6000,
    "gross_max_kg": 18_000,
    "rows": [{"x_mm": 500 + 1000 * r, "lanes": 2} for r in range(3)],
}
TANDEM: dict[str, Any] = RIGID | {
    "name": "rigid with a rear tandem, one axle driven (invented)",
    "wheelbase_mm": 4700,
    "rear_axles": 2,
    "rear_spacing_mm": 1350,
    "driven_axles": 1,
    "rear_tare_kg": 4500,
    "rear_max_kg": 18_000,
    "gross_max_kg": 26_000,
}
CENTRE_AXLE: dict[str, Any] = RIGID | {
    "name": "drawbar, centre-axle trailer (invented)",
    "kind": "drawbar",
    "coupling_x_mm": 4300,
    "payload_max_kg": 12_000,
    "gross_max_kg": 32_000,
    "trailer": {
        "type": "centre_axle",
        "eye_x_mm": -1800,
        "axle_x_mm": 1600,
        "tare_kg": 3600,
        "max_kg": 18_000,
        "coupling_max_kg": 1000,
        "coupling_min_kg": -500,
        "axles": 2,
        "spacing_mm": 1350,
        "rows": [{"x_mm": 500 + 1000 * r, "lanes": 2} for r in range(3)],
    },
}
FULL_TRAILER: dict[str, Any] = CENTRE_AXLE | {
    "name": "drawbar, full trailer (invented)",
    "trailer": {
        "type": "full",
        "front_x_mm": 400,
        "rear_x_mm": 2600,
        "front_tare_kg": 2000,
        "rear_tare_kg": 2100,
        "front_max_kg": 9000,
        "rear_max_kg": 9000,
        "drawbar_mm": 2200,
        "front_axles": 1,
        "rear_axles": 1,
        "rows": [{"x_mm": 500 + 1000 * r, "lanes": 2} for r in range(3)],
    },
}


def load(trucks: list[dict[str, Any]], pallets: list[dict[str, Any]], **rules: Any) -> dict[str, Any]:
    """Return a request for a choice of trucks; stops are those of the pallets, in alphabetical order."""
    stops = sorted({one["stop"] for one in pallets})
    return {
        "trucks": trucks,
        "rules": rules,
        "temperature_classes": {"chilled": {"min_c": 2, "max_c": 6}, "cellar": {"min_c": 8, "max_c": 14}},
        "stops": [{"id": stop, "seq": k} for k, stop in enumerate(stops, 1)],
        "pallets": [{"id": f"P{k}", "class": "chilled"} | one for k, one in enumerate(pallets)],
    }


def pallets(stop: str, count: int, weight_kg: float, **more: Any) -> list[dict[str, Any]]:
    """Return alike pallets for one stop."""
    return [{"stop": stop, "weight_kg": weight_kg, **more} for _ in range(count)]
