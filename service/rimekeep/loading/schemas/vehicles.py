"""Requests and responses about vehicles."""

from typing import Any

from pydantic import Field, computed_field

from rimekeep.loading.core.fit_out import missing_data
from rimekeep.platform.schemas import Body, Celsius, Code, Name, Reason, View

TRUCK_EXAMPLE = {
    "kind": "semi",
    "pallet": "800x1200",
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
    "gross_max_kg": 21000,
    "drive_min_share_pct": 25,
    "rows": [{"x_mm": x_mm, "lanes": 2} for x_mm in (500, 1500, 2500, 3500)],
}


class VehicleIn(Body):
    """A new vehicle."""

    code: Code
    name: Name
    truck: dict[str, Any] = Field(
        description="Axles, tares and limits as on the plate, and the deck's rows from the front wall. A "
        "semi-trailer gives d_k_mm (kingpin from the front wall), L_s_mm (kingpin to bogie), WB_mm "
        "(wheelbase), e_mm (fifth wheel ahead of the drive axle), F0_kg, D0_kg, B0_kg (axle loads empty) and "
        'the maxima; a rigid truck gives kind "rigid", front_axle_x_mm, wheelbase_mm, front_tare_kg, '
        'rear_tare_kg, front_max_kg, rear_max_kg; a combination kind "drawbar", the same, coupling_x_mm and '
        'trailer (type "centre_axle" or "full"). The deck is rows, layouts, or "deck" with length_mm and '
        "width_mm. Masses and lengths in other units say so: gross_max_lb, wheelbase_in. "
        'For heat balances "cold" gives wall_area_m2, k_w_m2k, '
        "door_height_m, door_width_m, has_curtain and capacity_w, points of outside_c (or difference_k), "
        "inside_c and watts. To be divided in a day's plan a vehicle with compartments (2 or 3; "
        "bulkhead_after_rows, rows from 0, where bulkheads may stand) also gives bulkhead_w_k (K of a "
        "bulkhead times its area) and evaporators, the watts of each compartment's, front first.",
        examples=[TRUCK_EXAMPLE],
    )
    planned_c: Celsius = Field(4.0, description="What the load space is usually held at.")


class VehicleChangeIn(Body):
    """What is to be different about a vehicle; what is left out stays. Its truck is given whole."""

    name: Name | None = None
    truck: dict[str, Any] | None = Field(None, description="As for a new vehicle, in full.")
    reason: Reason


class VehicleOut(View):
    """A vehicle."""

    id: int
    code: str
    name: str
    zone_id: int = Field(description="Its load space, a zone of the same code.")
    truck: dict[str, Any]
    is_active: bool

    @computed_field(  # type: ignore[prop-decorator]
        description="Fields nobody gave, by what they are needed for: weight_profile, body, unloading, cold, "
        "compartments."
    )
    @property
    def missing(self) -> dict[str, list[str]]:
        """What it lacks, use by use."""
        return missing_data(self.truck)
