"""
The loading sheet: one trip on paper, in the order it is loaded.

Places are written as the dock counts them, row 1 at the front wall, lane 1 at the left.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from rimekeep.loading.core.cautions import cautions
from rimekeep.loading.core.records import PlaceView, TripView
from rimekeep.loading.core.securing import lashings_needed
from rimekeep.loading.core.sequence import in_loading_order

# What the count of lashings assumes; printed beside it. Coefficients and safety factors of EN 12195-1:2010
# for the road, from memory; friction, angle and strap are common practice, no source: label and deck decide.
FRICTION = 0.3
ANGLE_DEG = 60.0
TENSION_DAN = 300.0
FORWARD = (0.8, 1.25)
SIDEWAYS = (0.5, 1.1)


@dataclass(frozen=True, slots=True)
class SheetLine:
    """Cases of one lot on a unit."""

    unit_id: int
    sku: str
    product: str
    lot: str
    best_before_on: date
    cases: int


def setpoint_c(low_c: float, high_c: float) -> float:
    """Return the setpoint advised: the middle of the range, with most room to either side."""
    return round((low_c + high_c) / 2, 1)


def loading_sheet(ship_on: date, trip: TripView, lines: Sequence[SheetLine], *, is_confirmed: bool) -> str:
    """Return a trip's sheet as plain text: setpoint, cautions, order of loading, weights, lashings, drops."""
    on_unit: dict[int, list[SheetLine]] = {}
    for line in lines:
        on_unit.setdefault(line.unit_id, []).append(line)
    vehicle = f"{trip.vehicle_code} ({trip.vehicle_name})"
    parts = [
        [
            f"LOADING SHEET  trip {trip.id}  vehicle {vehicle}  {ship_on.isoformat()}",
            *([] if is_confirmed else ["DRAFT: the plan is not confirmed; do not load by this sheet."]),
        ],
        _cold(trip),
        ["CAUTION", *(f"  ! {caution}" for caution in cautions("loading"))],
        _loading(trip.places),
        ["DECK, from above", *trip.drawing.splitlines()],
        _lashings(trip.places),
        *_drops(trip.places, on_unit),
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _cold(trip: TripView) -> list[str]:
    low, high = trip.setpoint_min_c, trip.setpoint_max_c
    advised = setpoint_c(low, high)
    return [
        f"REEFER  setpoint {advised:g} °C (everything on board may travel at {low:g} to {high:g} °C)",
        f"  Pre-cool the closed, empty body to {advised:g} °C before loading; unit off with doors open.",
    ]


def _loading(places: Sequence[PlaceView]) -> list[str]:
    by_unit = {place.unit_id: place for place in places}
    lines = [
        "LOAD IN THIS ORDER  (row 1 at the front wall, lane 1 at the left)",
        "  no.  row  lane  SSCC                 drop  customer        kg",
    ]
    for k, spot in enumerate(in_loading_order([place.spot for place in places]), 1):
        place = by_unit[spot.unit_id]
        mark = "  loaded" if spot.is_loaded else ""
        lines.append(
            f"  {k:>3}  {spot.row + 1:>3}  {spot.lane + 1:>4}  {spot.sscc:<19}  {spot.drop:>4}  "
            f"{place.customer_code:<12}  {place.mass_kg:>6.0f}{mark}"
        )
    return lines


def row_masses_kg(places: Sequence[PlaceView]) -> Mapping[int, float]:
    """Return the mass standing in each row."""
    masses: dict[int, float] = {}
    for place in sorted(places, key=lambda place: place.row):
        masses[place.row] = masses.get(place.row, 0.0) + place.mass_kg
    return masses


def _lashings(places: Sequence[PlaceView]) -> list[str]:
    lines = [
        "SECURING, advice after EN 12195-1 (top-over lashings a row, if nothing blocks it)",
        f"  assumes friction {FRICTION:g}, straps at {ANGLE_DEG:g}°, {TENSION_DAN:g} daN standard tension;",
        "  blocked: the row stands against the front wall or against at least as many pallets ahead of it.",
    ]
    count = Counter(place.row for place in places)
    for row, mass_kg in row_masses_kg(places).items():
        is_blocked = row == 0 or count[row - 1] >= count[row]
        forward, sideways = (
            lashings_needed(
                mass_kg,
                friction=FRICTION,
                angle_deg=ANGLE_DEG,
                tension_dan=TENSION_DAN,
                acceleration=acceleration,
                safety_factor=factor,
            )
            for acceleration, factor in (FORWARD, SIDEWAYS)
        )
        ahead = f"blocked, else {forward}" if is_blocked else f"{forward}, GAP AHEAD: lash or block it"
        lines.append(f"  row {row + 1:>2}: {mass_kg:>6.0f} kg  sideways {sideways}, forwards {ahead}")
    return lines


def _drops(places: Sequence[PlaceView], on_unit: Mapping[int, Sequence[SheetLine]]) -> list[list[str]]:
    drops = []
    for drop in sorted({place.drop for place in places}):
        here = sorted((place for place in places if place.drop == drop), key=lambda p: (-p.row, p.lane))
        first = here[0]
        lines = [f"DROP {drop}  {first.customer_code}  {first.customer_name}"]
        if first.customer_address:
            lines.append(f"  {first.customer_address}")
        for place in here:
            lines.append(f"  {place.sscc}  order {place.order_code}")
            lines += [
                f"    {line.cases:>4} x {line.sku} {line.product}, lot {line.lot}, "
                f"best before {line.best_before_on.isoformat()}"
                for line in on_unit.get(place.unit_id, ())
            ]
        drops.append(lines)
    return drops
