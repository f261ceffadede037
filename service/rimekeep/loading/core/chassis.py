"""
What stands on the road: axles and couplings of rigid trucks, semi-trailers and drawbar combinations.

Tares are what an axle (or group counted as one) carries with everything coupled and empty. Axles of a group
share its load equally; ``…_axles`` of 0 says that nobody told how many there are.
"""

from dataclasses import dataclass
from typing import Literal

Role = Literal["steer", "drive", "trailer"]


@dataclass(frozen=True, slots=True)
class AxleGroup:
    """One axle, or axles that share their load; ``road_x_mm`` is its middle behind the foremost axle."""

    name: str
    role: Role
    tare_kg: float
    max_kg: float
    axles: int
    spacing_mm: float
    road_x_mm: float
    driven: int = 0

    @property
    def driven_share(self) -> float:
        """Share of the group's load that stands on driven axles."""
        return self.driven / self.axles if self.axles else float(self.driven > 0)


@dataclass(frozen=True, slots=True)
class SemiAxles:
    """
    A tractor with a semi-trailer, whose axles count as one bogie.

    ``kingpin_x_mm`` is measured from the inside of the front wall, ``fifth_wheel_lead_mm`` from the drive
    axle forwards. ``kingpin_min_kg`` and ``kingpin_max_kg`` bound what the *load* puts on the kingpin.
    """

    kingpin_x_mm: float
    kingpin_to_bogie_mm: float
    wheelbase_mm: float
    fifth_wheel_lead_mm: float
    front_tare_kg: float
    drive_tare_kg: float
    bogie_tare_kg: float
    front_max_kg: float
    drive_max_kg: float
    bogie_max_kg: float
    kingpin_max_kg: float
    kingpin_min_kg: float = 0.0
    drive_axles: int = 0
    drive_spacing_mm: float = 0.0
    driven_axles: int = 0
    bogie_axles: int = 0
    bogie_spacing_mm: float = 0.0

    @property
    def tare_kg(self) -> float:
        """Mass of the empty combination."""
        return self.front_tare_kg + self.drive_tare_kg + self.bogie_tare_kg

    @property
    def groups(self) -> tuple[AxleGroup, ...]:
        """Axle groups from the front."""
        bogie_x = self.wheelbase_mm - self.fifth_wheel_lead_mm + self.kingpin_to_bogie_mm
        return (
            AxleGroup("front", "steer", self.front_tare_kg, self.front_max_kg, 1, 0, 0),
            AxleGroup(
                "drive", "drive", self.drive_tare_kg, self.drive_max_kg, self.drive_axles,
                self.drive_spacing_mm, self.wheelbase_mm, self.driven_axles or self.drive_axles or 1,
            ),
            AxleGroup(
                "bogie", "trailer", self.bogie_tare_kg, self.bogie_max_kg, self.bogie_axles,
                self.bogie_spacing_mm, bogie_x,
            ),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class RigidAxles:
    """
    A rigid truck: one steered front axle, one rear axle (or group counted as one), driven.

    ``front_axle_x_mm`` is measured from the inside of the body's front wall, negative when the axle is ahead
    of it; ``wheelbase_mm`` runs to the middle of the rear group.
    """

    front_axle_x_mm: float
    wheelbase_mm: float
    front_tare_kg: float
    rear_tare_kg: float
    front_max_kg: float
    rear_max_kg: float
    rear_axles: int = 0
    rear_spacing_mm: float = 0.0
    driven_axles: int = 0

    @property
    def tare_kg(self) -> float:
        """Mass of the empty truck."""
        return self.front_tare_kg + self.rear_tare_kg

    @property
    def groups(self) -> tuple[AxleGroup, ...]:
        """Axle groups from the front."""
        return (
            AxleGroup("front", "steer", self.front_tare_kg, self.front_max_kg, 1, 0, 0),
            AxleGroup(
                "rear", "drive", self.rear_tare_kg, self.rear_max_kg, self.rear_axles,
                self.rear_spacing_mm, self.wheelbase_mm, self.driven_axles or self.rear_axles or 1,
            ),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class CentreAxleTrailer:
    """
    A trailer whose one axle group stands near its middle and whose eye presses on the truck's coupling.

    ``eye_x_mm`` (negative, ahead of the body) and ``axle_x_mm`` are measured from the inside of the trailer
    body's front wall. The coupling's limits bound what the *load* puts on it; a load behind the axles lifts
    it, which makes it negative.
    """

    eye_x_mm: float
    axle_x_mm: float
    tare_kg: float
    max_kg: float
    coupling_max_kg: float
    coupling_min_kg: float = 0.0
    axles: int = 0
    spacing_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class FullTrailer:
    """
    A trailer that stands on its own axles: a steered front group on a turntable and a rear group.

    ``front_x_mm`` and ``rear_x_mm`` are measured from the inside of the trailer body's front wall,
    ``drawbar_mm`` from the coupling to the front group. The drawbar carries no weight.
    """

    front_x_mm: float
    rear_x_mm: float
    front_tare_kg: float
    rear_tare_kg: float
    front_max_kg: float
    rear_max_kg: float
    drawbar_mm: float = 0.0
    front_axles: int = 0
    front_spacing_mm: float = 0.0
    rear_axles: int = 0
    rear_spacing_mm: float = 0.0

    @property
    def tare_kg(self) -> float:
        """Mass of the empty trailer."""
        return self.front_tare_kg + self.rear_tare_kg


@dataclass(frozen=True, slots=True)
class DrawbarAxles:
    """
    A rigid truck that draws a trailer, each with a body of its own.

    ``coupling_x_mm`` is measured from the inside of the truck body's front wall. ``motor_max_kg`` and
    ``trailer_max_kg`` bound the mass of each vehicle, 0 when only its axles do.
    """

    motor: RigidAxles
    trailer: CentreAxleTrailer | FullTrailer
    coupling_x_mm: float
    motor_max_kg: float = 0.0
    trailer_max_kg: float = 0.0

    @property
    def tare_kg(self) -> float:
        """Mass of the empty combination."""
        return self.motor.tare_kg + self.trailer.tare_kg

    @property
    def groups(self) -> tuple[AxleGroup, ...]:
        """Axle groups from the front."""
        trailer = self.trailer
        coupling = self.coupling_x_mm - self.motor.front_axle_x_mm
        if isinstance(trailer, CentreAxleTrailer):
            x = coupling + trailer.axle_x_mm - trailer.eye_x_mm
            return (
                *self.motor.groups,
                AxleGroup(
                    "trailer", "trailer", trailer.tare_kg, trailer.max_kg, trailer.axles,
                    trailer.spacing_mm, x,
                ),
            )  # fmt: skip
        front = coupling + trailer.drawbar_mm
        rear = front + trailer.rear_x_mm - trailer.front_x_mm
        return (
            *self.motor.groups,
            AxleGroup(
                "trailer_front", "trailer", trailer.front_tare_kg, trailer.front_max_kg,
                trailer.front_axles, trailer.front_spacing_mm, front,
            ),
            AxleGroup(
                "trailer_rear", "trailer", trailer.rear_tare_kg, trailer.rear_max_kg,
                trailer.rear_axles, trailer.rear_spacing_mm, rear,
            ),
        )  # fmt: skip
