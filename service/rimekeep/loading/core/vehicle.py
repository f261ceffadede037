"""The plain data of a load: truck, deck rows, temperature classes, stops, pallets and rules."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the deck: the centre of its pallets from the inside of the front wall, and its lanes."""

    x_mm: float
    lanes: int


@dataclass(frozen=True, slots=True)
class SemiAxles:
    """
    A two-axle tractor with a semi-trailer, whose axles count as one bogie.

    ``kingpin_x_mm`` is measured from the inside of the front wall, ``fifth_wheel_lead_mm`` from the drive
    axle forwards. Tares are what each axle carries with the trailer coupled and empty. ``kingpin_min_kg`` and
    ``kingpin_max_kg`` bound what the *load* puts on the kingpin.
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

    @property
    def tare_kg(self) -> float:
        """Mass of the empty combination."""
        return self.front_tare_kg + self.drive_tare_kg + self.bogie_tare_kg


@dataclass(frozen=True, slots=True)
class RigidAxles:
    """
    A rigid truck: one steered front axle, one driven rear axle (or group counted as one).

    ``front_axle_x_mm`` is measured from the inside of the body's front wall, negative when the axle is ahead
    of it.
    """

    front_axle_x_mm: float
    wheelbase_mm: float
    front_tare_kg: float
    rear_tare_kg: float
    front_max_kg: float
    rear_max_kg: float

    @property
    def tare_kg(self) -> float:
        """Mass of the empty truck."""
        return self.front_tare_kg + self.rear_tare_kg


@dataclass(frozen=True, slots=True)
class Truck:
    """One kind of truck; ``available`` is how many stand in the yard, None when that does not bind."""

    name: str
    axles: SemiAxles | RigidAxles
    rows: tuple[Row, ...]
    payload_max_kg: float
    gross_max_kg: float
    drive_min_share_pct: float = 0.0
    steer_min_share_pct: float = 0.0
    available: int | None = None
    pallet: str = ""

    @property
    def places(self) -> int:
        """Pallet places on the deck."""
        return sum(row.lanes for row in self.rows)


@dataclass(frozen=True, slots=True)
class TemperatureClass:
    """The air temperatures a class of goods may travel in; both ends belong to the range."""

    id: str
    min_c: float
    max_c: float


@dataclass(frozen=True, slots=True)
class Stop:
    """One delivery stop; lower ``seq`` is delivered earlier."""

    id: str
    seq: int


@dataclass(frozen=True, slots=True)
class Pallet:
    """One pallet for one stop."""

    id: str
    stop: str
    temperature_class: str
    mass_kg: float


@dataclass(frozen=True, slots=True)
class Rules:
    """
    What a plan must keep to.

    The last four are True for every plan that is to be driven; switching one off answers "what if it did not
    bind", which is how a refusal finds its cause.
    """

    max_stops_per_truck: int | None = None
    is_split_allowed: bool = True
    is_gap_allowed: bool = True
    has_drop_order: bool = True
    has_weights_after_drops: bool = True
    has_axle_limits: bool = True
    has_temperature: bool = True


@dataclass(frozen=True, slots=True)
class LoadRequest:
    """All a load plan needs. ``truck_bound`` is the asker's own guess at the count; it binds nothing."""

    truck: Truck
    rules: Rules
    temperature_classes: tuple[TemperatureClass, ...]
    stops: tuple[Stop, ...]
    pallets: tuple[Pallet, ...]
    name: str = ""
    truck_bound: int | None = None
