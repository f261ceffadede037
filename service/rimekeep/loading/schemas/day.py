"""A day to be planned: what is asked, and what its trips drive."""

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from rimekeep.loading.core.road_form import DETOUR, SERVICE_S, SPEED_KMH
from rimekeep.loading.core.shift_form import MOST_TRIPS, TURN_ROUND_S
from rimekeep.loading.core.states import Empty
from rimekeep.orders.schemas import Day
from rimekeep.orders.schemas.customers import Latitude, Longitude
from rimekeep.platform.schemas import Body, Id, Instant, View

ClockTime = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class DayRoadsIn(Body):
    """Where trucks start from, and how roads are estimated between it and the orders' drops."""

    latitude: Latitude
    longitude: Longitude
    leaves_at_time: ClockTime = Field(
        description="Trucks leave no sooner, by the site's clock.", examples=["05:30"]
    )
    speed_kmh: Annotated[float, Field(ge=1, le=130)] = Field(SPEED_KMH, description="Average on the road.")
    detour: Annotated[float, Field(ge=1, le=10)] = Field(
        DETOUR, description="How much longer roads are than the great circle."
    )
    service_s: Annotated[int, Field(ge=0, le=86_400, strict=True)] = Field(
        SERVICE_S, description="What unloading one drop takes."
    )
    return_counted: bool = Field(True, description="Whether the way back counts.")


class ShiftIn(Body):
    """When a truck is out that day, and how many trips it may make."""

    vehicle_id: Id | None = Field(None, description="Null: every vehicle that is not named.")
    trips: Annotated[int, Field(ge=1, le=MOST_TRIPS, strict=True)] = Field(
        1, description="Each is loaded once the one before has ended."
    )
    starts_at_time: ClockTime = Field(
        description="It leaves no sooner, by the site's clock.", examples=["06:00"]
    )
    ends_at_time: ClockTime = Field(
        description="It is back for the last time; not after the start: on the next day.", examples=["17:00"]
    )
    turn_round_s: Annotated[int, Field(ge=0, le=86_400, strict=True)] = Field(
        TURN_ROUND_S, description="At the dock between two trips: what came back goes off, the next load on."
    )
    trip_s: Annotated[int, Field(ge=1, le=86_400, strict=True)] | None = Field(
        None, description="What a trip takes; only where `roads` do not tell."
    )


class AnnouncedEmptiesIn(Body):
    """Empties that are to be fetched where an order is delivered."""

    order_id: Id
    kind: Empty
    pieces: Annotated[int, Field(ge=1, le=100_000, strict=True)]
    mass_kg: Annotated[float, Field(gt=0, le=100_000)] = Field(description="Of all of them.")
    places: Annotated[int, Field(ge=1, le=1000, strict=True)] = Field(
        description="Pallet places they take on the deck."
    )


class DayPlanIn(Body):
    """What is to be planned."""

    ship_on: Day
    vehicle_ids: list[Id] | None = Field(
        None,
        min_length=1,
        max_length=100,
        description="Vehicles to choose from, of any build; null: every free one.",
    )
    drops: list[Id] | None = Field(
        None,
        min_length=1,
        max_length=1000,
        description="Orders in the order they are delivered; null: all of the day that are ready, as placed.",
    )
    max_stops_per_trip: Annotated[int, Field(ge=1, le=100, strict=True)] | None = None
    shifts: list[ShiftIn] = Field(
        [],
        max_length=100,
        description="Trucks that leave several times: their trips follow each other within the shift.",
    )
    weight_profile: Annotated[str, StringConstraints(min_length=1, max_length=60)] | None = Field(
        None,
        description='Weight rules besides the plates: "eu", "us-interstate", one of a country ("at", "be", '
        '"de", "nl"), or the id of one in weight_profiles.',
    )
    weight_profiles: list[dict[str, Any]] = Field(
        [], max_length=20, description="Weight rules of other places, as in a rules file of `plan-load`."
    )
    stacks: bool = Field(
        True,
        description="Units may go on top of each other where case heights, crush limits and the vehicle's "
        "heights allow, and do where that spares a vehicle or a visit; false: each has a place of its own.",
    )
    divide: bool = Field(
        True,
        description="Vehicles with compartments, and the data to reckon their cold, carry goods that share "
        "no air behind bulkheads where that spares a vehicle; false: every vehicle keeps to one air.",
    )
    roads: DayRoadsIn | None = Field(
        None,
        description="Trips are told what they drive. Without `drops` the order is chosen too: near drops "
        "together, opening times kept, every deck loaded for it. Needs drops with positions.",
    )
    empties: list[AnnouncedEmptiesIn] = Field(
        [],
        max_length=1000,
        description="What comes back: it is given places behind the goods still on board and weighs on every "
        "axle after its drop.",
    )


class HaltOut(View):
    """One drop of a drive."""

    customer_code: str
    arrives_at: Instant
    clock: str = Field(description="The same by the site's clock.", examples=["08:12"])
    waits_s: int = Field(description="Until goods are taken in.")
    late_s: int = Field(description="By how much the opening time is missed; 0: it is kept.")


class DriveOut(View):
    """What a trip drives in the order of its drops."""

    leaves_at: Instant
    ends_at: Instant = Field(description="Back at the store, or done at the last drop.")
    distance_m: int
    drive_s: int
    late_s: int
    halts: list[HaltOut]
    is_best: bool | None = Field(
        description="Proven: no order of these drops is late by less, nor drives less. Null: not known, as "
        "units were moved since."
    )
    best_order: list[str] | None = Field(description="The best order; null where it is not proven.")
    least_drive_s: int | None = Field(description="No order that is late by as little drives less.")
    is_estimated: bool
    caution: str
