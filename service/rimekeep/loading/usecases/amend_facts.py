"""What a plan that is to be changed stands on: its decks, what it is to carry now, vehicles that are free."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.cargo import Cargo
from rimekeep.loading.core.day_roads import joining_roads
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.replan_model import Former
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.violation import PlacedPallet
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.loading.usecases.plan import loadable_orders
from rimekeep.loading.usecases.yard import is_of_build, trucks_of
from rimekeep.wording import say


@dataclass(frozen=True)
class Facts:
    """
    A plan as it stands, what it is to carry now, and the vehicles for it.

    Trips that ``left`` stay as they are, with what stood on them; ``trips``, ``places`` and ``cargo`` are of
    the others.
    """

    trips: tuple[Trip, ...]
    places: tuple[PlaceView, ...]
    left: tuple[Trip, ...]
    left_places: tuple[PlaceView, ...]
    cargo: tuple[Cargo, ...]
    data: Mapping[str, Any]
    spare: Mapping[int, Sequence[Vehicle]]
    # Of each of the request's trucks, how many there are for its trips, and how many only made what left.
    free: Mapping[int, int]
    away: Mapping[int, int]
    # What customers that join are to the road, and what is not known of them.
    joining: Mapping[str, Mapping[str, Any]]
    unknown_roads: Sequence[str]

    @property
    def has_new(self) -> bool:
        """Tell whether a customer joins."""
        known = {stop["id"] for stop in self.data["stops"]}
        return any(unit.customer not in known for unit in self.cargo)

    @property
    def left_decks(self) -> list[list[PlacedPallet]]:
        """Return what stood on the trips that left, as it was planned."""
        known = {pallet["id"] for pallet in self.data["pallets"]}
        return [
            queries.placed([one for one in self.left_places if one.trip_id == trip.id and one.sscc in known])
            for trip in self.left
        ]

    @property
    def known(self) -> list[tuple[object, ...]]:
        """What must not change while decks are sought."""
        standing = [
            (one.trip_id, one.unit_id, one.standing, one.loaded_at is None, one.is_pinned, one.is_turned)
            for one in self.places
        ]
        return [*standing, *((unit.sscc, unit.mass_kg, unit.order_id) for unit in self.cargo)]


def facts_of(session: Session, caller: Caller, plan_id: int, orders: Sequence[int]) -> Facts:
    plan = queries.plan(session, caller.site_id, plan_id)
    all_trips = queries.trips_of(session, plan.id)
    trips = tuple(trip for trip in all_trips if trip.departed_at is None)
    left = tuple(trip for trip in all_trips if trip.departed_at is not None)
    if plan.state not in (PlanState.DRAFT, PlanState.CONFIRMED) or not trips:
        raise Conflict(
            "plan-state",
            say("Load plan {id} is {state} and takes nothing more.", id=plan.id, state=plan.state),
        )
    standing = queries.places(session, [trip.id for trip in all_trips])
    waiting = {trip.id for trip in trips}
    places = tuple(place for place in standing if place.trip_id in waiting)
    left_places = tuple(place for place in standing if place.trip_id not in waiting)
    own = list(dict.fromkeys(place.order_id for place in standing))
    loadable_orders(session, caller, plan.ship_on, orders)
    gone = {place.unit_id for place in left_places}
    cargo = tuple(
        unit
        for unit in _cargo(session, caller, plan, own, [one for one in orders if one not in own])
        if unit.unit_id not in gone
    )
    _require_none_left_behind(places, cargo, trips)
    busy = queries.busy_vehicles(session, caller.site_id)
    taken = {trip.vehicle_id for trip in all_trips}
    fleet = queries.active_vehicles(session, caller.site_id)
    spare: dict[int, Sequence[Vehicle]] = {}
    free: dict[int, int] = {}
    away: dict[int, int] = {}
    kinds = [truck.kind for truck in load_request(plan.request).trucks]
    for number, (truck, _) in enumerate(trucks_of(plan.request)):
        same = [one for one in fleet if is_of_build(plan.request, one, truck)]
        spare[number] = [one for one in same if one.id not in busy and one.id not in taken]
        # Trucks of one build may be out at different hours; each counts for its own.
        out = {trip.vehicle_id for trip in trips if kinds[trip.truck_no] == number}
        away[number] = len({trip.vehicle_id for trip in left if kinds[trip.truck_no] == number} - out)
        free[number] = len(spare[number]) + sum(one.id in out for one in same) + away[number]
    late = [one for one in orders if one not in own]
    drops = (queries.drop_places(session, caller.site_id, ids) for ids in (own, late))
    joining, unknown = joining_roads(plan.request, *drops)
    return Facts(
        trips, places, left, left_places, cargo, plan.request, spare, free, away, joining, unknown
    )  # fmt: skip


def _cargo(
    session: Session, caller: Caller, plan: LoadPlanRow, own: Sequence[int], more: Sequence[int]
) -> tuple[Cargo, ...]:
    """Return the units to be carried: all that are ready of the plan's own orders, and of more."""
    ids = [*own, *more]
    bound = queries.bound_units(session, caller.site_id, ids)
    pairs = []
    for order_id, unit_id, is_ready in queries.order_units(session, caller.site_id, ids):
        if bound.get(unit_id, plan.id) != plan.id:
            continue
        if is_ready:
            pairs.append((order_id, unit_id))
        elif order_id in more:
            raise Refused(
                "order-not-ready",
                say("Some cases of order {order_id} are still to be picked.", order_id=order_id),
                data={"order_id": order_id},
            )
    place = {order_id: k for k, order_id in enumerate(ids)}
    return tuple(queries.cargo(session, caller.site_id, sorted(pairs, key=lambda pair: place[pair[0]])))


def _require_none_left_behind(
    places: Sequence[PlaceView], cargo: Sequence[Cargo], trips: Sequence[Trip]
) -> None:
    wanted = {unit.sscc for unit in cargo}
    aboard = [one.sscc for one in places if one.loaded_at is not None and one.sscc not in wanted]
    if aboard:
        raise Refused(
            "already-loaded",
            say("Unit {aboard} is on board and no longer wanted; unload it first.", aboard=aboard[0]),
            data={"ssccs": aboard[:50]},
        )
    for trip in trips:
        if not any(one.trip_id == trip.id and one.sscc in wanted for one in places):
            raise Refused(
                "last-on-trip",
                say(
                    "Nothing of trip {id} is wanted any more; give it up, if the plan is confirmed, or plan "
                    "the day again with one vehicle fewer.",
                    id=trip.id,
                ),
                data={"trip_id": trip.id},
            )


def former_of(facts: Facts, numbers: Mapping[int, int]) -> Former:
    """Return what stands already; ``numbers`` are those the trucks have in the request of now."""
    number = {trip.id: v for v, trip in enumerate(facts.trips)}
    places = {one.sscc: (number[one.trip_id], one.row, one.lane) for one in facts.places}
    return Former(
        places,
        tuple(numbers[trip.truck_no] for trip in facts.trips),
        aboard=frozenset(one.sscc for one in facts.places if one.loaded_at is not None),
        pinned={one.sscc: places[one.sscc] for one in facts.places if one.is_pinned},
        vehicles=tuple(trip.vehicle_id for trip in facts.trips),
        upper=frozenset(one.sscc for one in facts.places if one.tier),
    )
