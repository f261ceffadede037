"""
What axles and couplings carry in one state of a load, for judging it.

Moments are taken here on their own: about the bogie for the kingpin, about the tractor's front axle for the
drive axle, about the rear axle for a rigid truck, about its own axles for a trailer.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rimekeep.loading.core.chassis import CentreAxleTrailer, DrawbarAxles, RigidAxles, SemiAxles
from rimekeep.loading.core.vehicle import Pallet, Truck

Figure = tuple[str, float, float, bool]
"""Kind, figure, limit and whether the limit is a least."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A known pallet on an existing place."""

    pallet: Pallet
    seq: int
    row: int
    lane: int
    body: int
    # Where its own centre is not its row's.
    x_mm: float | None = None


def figures_of(truck: Truck, left: Sequence[Standing], *, has_axles: bool) -> Iterator[Figure]:
    """Yield every figure of one state of the load with its limit."""
    load = sum(one.pallet.mass_kg for one in left)
    gross = load + truck.axles.tare_kg
    yield "payload", load, truck.payload_max_kg, False
    yield "gross", gross, truck.gross_max_kg, False
    if not has_axles:
        return
    borne, pressed = _borne(truck, left)
    for kind, figure, limit, is_least in pressed:
        # An empty truck owes its coupling no least load.
        if left or not is_least:
            yield kind, figure, limit, is_least
    for group in truck.axles.groups:
        yield group.name, borne[group.name], group.max_kg, False
    for law in truck.limits:
        together = sum(float(share) * borne[name] for name, share in law.shares)
        yield law.name, together, law.max_kg, False
    if left:
        driven = next(group for group in truck.axles.groups if group.role == "drive")
        on_driven = borne[driven.name] * driven.driven / max(driven.axles, 1)
        yield "drive_share", 100 * on_driven / gross, truck.drive_min_share_pct, True
        yield "steer_share", 100 * borne["front"] / gross, truck.steer_min_share_pct, True


def _borne(truck: Truck, left: Sequence[Standing]) -> tuple[dict[str, float], list[Figure]]:
    """Return what every axle group carries, tare included, and the figures of couplings and bodies."""
    axles = truck.axles
    masses = [
        (one.pallet.mass_kg, truck.rows[one.row].x_mm if one.x_mm is None else one.x_mm, one.body)
        for one in left
    ]
    if isinstance(axles, SemiAxles):
        return _semi(axles, masses)
    if isinstance(axles, DrawbarAxles):
        return _drawbar(axles, masses)
    return _rigid(axles, [(kg, x) for kg, x, _ in masses]), []


def _semi(
    axles: SemiAxles, masses: Sequence[tuple[float, float, int]]
) -> tuple[dict[str, float], list[Figure]]:
    load = sum(kg for kg, _, _ in masses)
    bogie_x = axles.kingpin_x_mm + axles.kingpin_to_bogie_mm
    kingpin = sum(kg * (bogie_x - x) for kg, x, _ in masses) / axles.kingpin_to_bogie_mm
    behind_front = axles.wheelbase_mm - axles.fifth_wheel_lead_mm
    driven = axles.drive_tare_kg + kingpin * behind_front / axles.wheelbase_mm
    borne = {
        "front": axles.front_tare_kg + axles.drive_tare_kg + kingpin - driven,
        "drive": driven,
        "bogie": axles.bogie_tare_kg + load - kingpin,
    }
    return borne, [
        ("kingpin", kingpin, axles.kingpin_max_kg, False),
        ("kingpin_min", kingpin, axles.kingpin_min_kg, True),
    ]


def _rigid(axles: RigidAxles, masses: Sequence[tuple[float, float]]) -> dict[str, float]:
    rear_x = axles.front_axle_x_mm + axles.wheelbase_mm
    about_rear = sum(kg * (rear_x - x) for kg, x in masses)
    steered = axles.front_tare_kg + about_rear / axles.wheelbase_mm
    return {"front": steered, "rear": axles.tare_kg + sum(kg for kg, _ in masses) - steered}


def _drawbar(
    axles: DrawbarAxles, masses: Sequence[tuple[float, float, int]]
) -> tuple[dict[str, float], list[Figure]]:
    own = [(kg, x) for kg, x, body in masses if body == 0]
    behind = [(kg, x) for kg, x, body in masses if body == 1]
    on_trailer = sum(kg for kg, _ in behind)
    trailer, found = axles.trailer, []
    if isinstance(trailer, CentreAxleTrailer):
        span = trailer.axle_x_mm - trailer.eye_x_mm
        pressed = sum(kg * (trailer.axle_x_mm - x) for kg, x in behind) / span
        own.append((pressed, axles.coupling_x_mm))
        carried = {"trailer": trailer.tare_kg + on_trailer - pressed}
        found += [
            ("coupling", pressed, trailer.coupling_max_kg, False),
            ("coupling_min", pressed, trailer.coupling_min_kg, True),
        ]
    else:
        span = trailer.rear_x_mm - trailer.front_x_mm
        ahead = sum(kg * (trailer.rear_x_mm - x) for kg, x in behind) / span
        carried = {
            "trailer_front": trailer.front_tare_kg + ahead,
            "trailer_rear": trailer.rear_tare_kg + on_trailer - ahead,
        }
    motor = _rigid(axles.motor, own)
    if axles.motor_max_kg > 0:
        found.append(("motor_gross", motor["front"] + motor["rear"], axles.motor_max_kg, False))
    if axles.trailer_max_kg > 0:
        found.append(("trailer_gross", trailer.tare_kg + on_trailer, axles.trailer_max_kg, False))
    return motor | carried, found
