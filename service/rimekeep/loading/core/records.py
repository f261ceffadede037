"""What loading shows: trips with their decks, drops and weights."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from rimekeep.loading.core.day_roads import TripDrive, site_clock
from rimekeep.loading.core.plan import Compartment
from rimekeep.loading.core.sequence import Spot


@dataclass(frozen=True, slots=True)
class PlaceView:
    """A unit on its place, with the words people know it by."""

    trip_id: int
    unit_id: int
    sscc: str
    unit_state: str
    order_id: int
    order_code: str
    customer_id: int
    customer_code: str
    customer_name: str
    customer_address: str
    row: int
    lane: int
    drop: int
    mass_kg: float
    loaded_at: datetime | None
    fate: str | None = None
    off_at: datetime | None = None
    is_pinned: bool = False
    # Of two half pallets on one place, which.
    part: int = 0
    is_turned: bool = False
    # 0 on the deck, 1 on top of the unit that stands there.
    tier: int = 0

    @property
    def is_aboard(self) -> bool:
        """Tell whether it was loaded and is not off again, as recorded."""
        return self.loaded_at is not None and self.off_at is None

    @property
    def spot(self) -> Spot:
        """Return what the order of loading needs."""
        is_loaded = self.loaded_at is not None
        return Spot(self.unit_id, self.sscc, self.row, self.lane, self.drop, is_loaded, self.tier)

    @property
    def standing(self) -> tuple[int, int, int, int]:
        """Return what decks are sorted by: of one place the lower unit comes first."""
        return self.row, self.lane, self.tier, self.part


@dataclass(frozen=True, slots=True)
class DeliveryView:
    """One drop, delivered."""

    drop: int
    delivered_at: datetime
    note: str
    recorded_at: datetime
    recorded_by: int


@dataclass(frozen=True, slots=True)
class StowedView:
    """Places for empties announced at a stop."""

    stop: str
    kind: str
    row: int
    places: int


@dataclass(frozen=True, slots=True)
class TripView:
    """
    One trip of a vehicle by a plan; ``cold`` is its forecast as reckoned last (see `road_told`).

    Where it is divided there are ``compartments``, front first, and the set point's range runs over all.
    """

    id: int
    plan_id: int
    vehicle_id: int
    vehicle_code: str
    vehicle_name: str
    setpoint_min_c: float
    setpoint_max_c: float
    departed_at: datetime | None
    ended_at: datetime | None
    axle_table: list[Any]
    drawing: str
    places: tuple[PlaceView, ...]
    deliveries: tuple[DeliveryView, ...]
    cold: dict[str, Any] | None = None
    drive: TripDrive | None = None
    stowed: tuple[StowedView, ...] = ()
    trip_no: int = 1
    trips: int = 1
    leaves_at: datetime | None = None
    back_at: datetime | None = None
    compartments: tuple[Compartment, ...] = ()

    def turn(self, zone: ZoneInfo, ship_on: date) -> str:
        """
        Return which of the vehicle's trips it is, and when, by the site's clock; empty: nothing to say.

        Once it has left, or ended, the plan's times for that are of no more use to anybody.
        """
        said = [f"trip {self.trip_no} of {self.trips}"] if self.trips > 1 else []
        if self.departed_at is not None:
            said.append(f"left {site_clock(self.departed_at, zone, ship_on)}")
        elif self.leaves_at is not None:
            said.append(f"leaves {site_clock(self.leaves_at, zone, ship_on)}")
        if self.ended_at is not None:
            said.append(f"ended {site_clock(self.ended_at, zone, ship_on)}")
        elif self.back_at is not None:
            planned = "" if self.departed_at is None else " as planned"
            said.append(f"back {site_clock(self.back_at, zone, ship_on)}{planned}")
        return ", ".join(said)


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan with its trips."""

    id: int
    ship_on: date
    state: str
    status: str
    lower_bound: int
    visits: int
    reasons: list[str]
    made_at: datetime
    confirmed_at: datetime | None
    trips: tuple[TripView, ...]

    @property
    def vehicles(self) -> int:
        """How many vehicles make the trips."""
        return len({trip.vehicle_id for trip in self.trips})
