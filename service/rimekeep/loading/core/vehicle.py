"""The plain data of a load: trucks, deck rows, temperature classes, stops, pallets and rules."""

from dataclasses import dataclass
from math import ceil

from rimekeep.loading.core.chassis import DrawbarAxles, RigidAxles, SemiAxles
from rimekeep.loading.core.gear import Law
from rimekeep.loading.core.limits import RoadLimit
from rimekeep.loading.core.roads import Roads

Axles = SemiAxles | RigidAxles | DrawbarAxles


@dataclass(frozen=True, slots=True)
class Row:
    """
    One row of the deck: the centre of its pallets from the inside of its body's front wall, and its lanes.

    ``body`` is 0 for the motor vehicle or the only body, 1 for the trailer of a combination. A place is
    ``along_mm`` by ``across_mm``; 0 where any pallet fits.
    """

    x_mm: float
    lanes: int
    body: int = 0
    along_mm: float = 0.0
    across_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class SideDoor:
    """A door in the side wall along rows ``first`` to ``last``; lane 0 is the left one."""

    first: int
    last: int
    is_left: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """
    When a truck is out on a day, and how often it may leave; seconds after the midnight the day begins with.

    It leaves no sooner than ``starts_s``, is back for the last time by ``ends_s``, and stands at the dock for
    ``turn_round_s`` between two trips. ``trip_s`` is what any trip takes where no roads tell.
    """

    trips: int
    starts_s: int
    ends_s: int
    turn_round_s: int
    trip_s: int | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """
    Which trip of which truck a load is: trucks of a plan are numbered from 0, the trips of each from 1.

    Seconds of the day; None for a truck of whose shift nothing is said.
    """

    vehicle: int
    trip: int
    leaves_s: int | None = None
    back_s: int | None = None


@dataclass(frozen=True, slots=True)
class Truck:
    """
    One kind of vehicle with one layout of its deck.

    Trucks of one ``kind`` are the same vehicles laid out differently: ``available`` is how many of the kind
    stand in the yard, None when that does not bind. Heights of 0 and a tail lift of None are not known.
    Movable bulkheads make up to ``compartments`` of every body; ``bulkhead_rows`` are the rows one may stand
    behind, None for any; one that ``has_one_air`` is never divided, whatever the request allows others.
    Without a ``shift`` each of them makes one trip, whenever that is.
    """

    name: str
    axles: Axles
    rows: tuple[Row, ...]
    payload_max_kg: float
    gross_max_kg: float
    drive_min_share_pct: float = 0.0
    steer_min_share_pct: float = 0.0
    available: int | None = None
    pallet: str = ""
    kind: int = 0
    limits: tuple[RoadLimit, ...] = ()
    load_height_mm: float = 0.0
    door_height_mm: float = 0.0
    tail_lift_max_kg: float | None = None
    has_ramps: bool = False
    side_doors: tuple[SideDoor, ...] = ()
    is_road_friendly: bool = False
    compartments: int = 1
    bulkhead_rows: tuple[int, ...] | None = None
    has_one_air: bool = False
    shift: Shift | None = None
    # Body, where its usable deck ends from the front wall, and its width, as far as they are known.
    decks_mm: tuple[tuple[int, float, float], ...] = ()

    @property
    def trips(self) -> int:
        """How many trips one of the kind may make."""
        return 1 if self.shift is None else self.shift.trips

    @property
    def places(self) -> int:
        """Pallet places on the deck."""
        return sum(row.lanes for row in self.rows)

    @property
    def bodies(self) -> list[list[int]]:
        """Rows that bulkheads divide, front wall first: those of each body, or all where there is one air."""
        found: dict[int, list[int]] = {}
        for r, row in enumerate(self.rows):
            found.setdefault(0 if self.has_one_air else row.body, []).append(r)
        return list(found.values())

    @property
    def is_for_stops_without_dock(self) -> bool:
        """Whether anything at all can be unloaded where there is no dock."""
        return self.has_ramps or self.tail_lift_max_kg is not None

    def room_height_mm(self, row: Row) -> float:
        """Return how high a pallet may be in a row, 0 when no height is known."""
        known = [height for height in (self.load_height_mm, self.door_height_mm) if height > 0]
        return min(known, default=0.0)


@dataclass(frozen=True, slots=True)
class TemperatureClass:
    """The air temperatures a class of goods may travel in; both ends belong to the range."""

    id: str
    min_c: float
    max_c: float


@dataclass(frozen=True, slots=True)
class Empties:
    """Empties of one kind that a stop gives back: ``mass_kg`` is that of all pieces together."""

    kind: str
    pieces: int
    mass_kg: float
    places: int

    @property
    def place_kg(self) -> float:
        """What stands on each of their places, spread evenly, in grams rounded up."""
        return ceil(round(self.mass_kg * 1000 / self.places, 6)) / 1000


@dataclass(frozen=True, slots=True)
class Stowed:
    """Empties of a stop, ``item`` among what it gives back, on places of a row along the right wall."""

    stop: str
    item: int
    row: int
    places: int


@dataclass(frozen=True, slots=True)
class Riding:
    """Empties that are on board already and stay there: ``places`` of a row along the right wall."""

    row: int
    places: int
    mass_kg: float


@dataclass(frozen=True, slots=True)
class Stop:
    """
    One delivery stop; lower ``seq`` is delivered earlier.

    Its ``empties`` may go on any vehicle that serves it, so each must have room for all of them.
    """

    id: str
    seq: int
    has_dock: bool = True
    empties: tuple[Empties, ...] = ()


@dataclass(frozen=True, slots=True)
class Pallet:
    """
    One pallet for one stop.

    Its footprint is ``long_mm`` by ``short_mm``, 0 when it fits any place; a ``height_mm`` of 0 is not known.
    On top it bears ``top_max_kg``; ``is_stackable`` says that it may stand on another.
    """

    id: str
    stop: str
    temperature_class: str
    mass_kg: float
    long_mm: float = 0.0
    short_mm: float = 0.0
    height_mm: float = 0.0
    top_max_kg: float = 0.0
    is_stackable: bool = False


@dataclass(frozen=True, slots=True)
class Rules:
    """
    What a plan must keep to.

    Those from ``has_drop_order`` to ``has_empties`` are True for every plan that is to be driven; switching
    one off answers "what if it did not bind", which is how a refusal finds its cause.
    ``is_single_compartment`` keeps a vehicle to one temperature whatever bulkheads it has. By ``law`` loads
    are secured, that of the plan's weight rules.
    """

    max_stops_per_truck: int | None = None
    is_split_allowed: bool = True
    is_gap_allowed: bool = True
    has_drop_order: bool = True
    has_weights_after_drops: bool = True
    has_axle_limits: bool = True
    has_temperature: bool = True
    has_empties: bool = True
    is_single_compartment: bool = True
    law: Law = Law.EU


@dataclass(frozen=True, slots=True)
class LoadRequest:
    """
    All a load plan needs: trucks to choose from, and what they are to carry.

    ``truck_bound`` is the asker's own guess at the count; it binds nothing. With ``is_order_open`` nobody has
    said in which order drops come: stops are numbered as they are listed until it is chosen by ``roads``.
    """

    trucks: tuple[Truck, ...]
    rules: Rules
    temperature_classes: tuple[TemperatureClass, ...]
    stops: tuple[Stop, ...]
    pallets: tuple[Pallet, ...]
    name: str = ""
    truck_bound: int | None = None
    roads: Roads | None = None
    is_order_open: bool = False

    @property
    def truck(self) -> Truck:
        """The first truck, which is the only one in a request for one build."""
        return self.trucks[0]

    @property
    def fleet(self) -> dict[int, int | None]:
        """How many loads all of each kind can take in their trips, None when that does not bind."""
        return {
            truck.kind: None if truck.available is None else truck.available * truck.trips
            for truck in self.trucks
        }

    @property
    def available(self) -> int | None:
        """How many loads there are trips for, of all kinds together; None when that does not bind."""
        counts = self.fleet.values()
        return None if None in counts else sum(count for count in counts if count is not None)

    @property
    def has_shifts(self) -> bool:
        """Whether it is said of any truck when it is out."""
        return any(truck.shift is not None for truck in self.trucks)

    @property
    def load_word(self) -> str:
        """What one load is called: a truck, or where trucks leave more than once, a trip."""
        return "trip" if any(truck.trips > 1 for truck in self.trucks) else "truck"
