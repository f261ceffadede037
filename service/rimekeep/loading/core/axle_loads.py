"""What every axle and coupling of a truck carries under pallets in given rows."""

from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.loading.core.axles import kingpin_and_bogie_kg, rigid_axles_kg, tractor_axles_kg
from rimekeep.loading.core.chassis import CentreAxleTrailer, DrawbarAxles, RigidAxles, SemiAxles
from rimekeep.loading.core.vehicle import Truck


@dataclass(frozen=True, slots=True)
class AxleLoad:
    """What one axle, group or kingpin carries, tare included where it has one."""

    name: str
    load_kg: float
    max_kg: float


def axle_loads(truck: Truck, masses_kg: Sequence[float], rows: Sequence[int]) -> tuple[AxleLoad, ...]:
    """Return what every axle and coupling carries under pallets in given rows."""
    axles = truck.axles
    x_mm = [truck.rows[row].x_mm for row in rows]
    if isinstance(axles, SemiAxles):
        kingpin, bogie = kingpin_and_bogie_kg(
            masses_kg, x_mm, d_k_mm=axles.kingpin_x_mm, l_s_mm=axles.kingpin_to_bogie_mm
        )
        front, drive = tractor_axles_kg(
            kingpin,
            front_tare_kg=axles.front_tare_kg,
            drive_tare_kg=axles.drive_tare_kg,
            e_mm=axles.fifth_wheel_lead_mm,
            wheelbase_mm=axles.wheelbase_mm,
        )
        return (
            AxleLoad("kingpin", float(kingpin), axles.kingpin_max_kg),
            _borne(truck, "front", float(front)),
            _borne(truck, "drive", float(drive)),
            _borne(truck, "bogie", axles.bogie_tare_kg + float(bogie)),
        )
    if isinstance(axles, DrawbarAxles):
        return _combination(truck, axles, masses_kg, rows)
    on_front, on_rear = _rigid(axles, masses_kg, x_mm)
    return (_borne(truck, "front", on_front), _borne(truck, "rear", on_rear))


def _borne(truck: Truck, name: str, load_kg: float) -> AxleLoad:
    """Return a group's load beside the least of its limits: the plate's, and the road's on it alone."""
    group = next(group for group in truck.axles.groups if group.name == name)
    by_law = [limit.max_kg for limit in truck.limits if dict(limit.shares) == {name: 1}]
    return AxleLoad(name, load_kg, min([group.max_kg, *by_law]))


def _rigid(axles: RigidAxles, masses_kg: Sequence[float], x_mm: Sequence[float]) -> tuple[float, float]:
    front, rear = rigid_axles_kg(
        masses_kg,
        x_mm,
        front_axle_x_mm=axles.front_axle_x_mm,
        wheelbase_mm=axles.wheelbase_mm,
        front_tare_kg=axles.front_tare_kg,
        rear_tare_kg=axles.rear_tare_kg,
    )
    return float(front), float(rear)


def _combination(
    truck: Truck, axles: DrawbarAxles, masses_kg: Sequence[float], rows: Sequence[int]
) -> tuple[AxleLoad, ...]:
    trailer = axles.trailer
    own, behind = (
        [
            (kg, truck.rows[r].x_mm)
            for kg, r in zip(masses_kg, rows, strict=True)
            if truck.rows[r].body == body
        ]
        for body in (0, 1)
    )
    front, rear = _rigid(axles.motor, [kg for kg, _ in own], [x for _, x in own])
    kgs, at = [kg for kg, _ in behind], [x for _, x in behind]
    if not isinstance(trailer, CentreAxleTrailer):
        ahead, back = rigid_axles_kg(
            kgs,
            at,
            front_axle_x_mm=trailer.front_x_mm,
            wheelbase_mm=trailer.rear_x_mm - trailer.front_x_mm,
            front_tare_kg=trailer.front_tare_kg,
            rear_tare_kg=trailer.rear_tare_kg,
        )
        return (
            _borne(truck, "front", front),
            _borne(truck, "rear", rear),
            _borne(truck, "trailer_front", float(ahead)),
            _borne(truck, "trailer_rear", float(back)),
        )
    pressed, carried = kingpin_and_bogie_kg(
        kgs, at, d_k_mm=trailer.eye_x_mm, l_s_mm=trailer.axle_x_mm - trailer.eye_x_mm
    )
    on_front, on_rear = rigid_axles_kg(
        [1.0],
        [axles.coupling_x_mm],
        front_axle_x_mm=axles.motor.front_axle_x_mm,
        wheelbase_mm=axles.motor.wheelbase_mm,
    )
    return (
        _borne(truck, "front", front + float(pressed * on_front)),
        _borne(truck, "rear", rear + float(pressed * on_rear)),
        AxleLoad("coupling", float(pressed), trailer.coupling_max_kg),
        _borne(truck, "trailer", trailer.tare_kg + float(carried)),
    )
