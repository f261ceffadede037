"""How a trip's load is held as it empties."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.loading.core.gear import Gear, Law, Room, Walls, wall_strengths_dan
from rimekeep.loading.core.held import LoadHeld
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rows import securing
from rimekeep.loading.core.states import Fate
from rimekeep.loading.core.tipping import Standing
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.queries.plans import plan, trip
from rimekeep.loading.queries.ready import cargo
from rimekeep.loading.queries.vehicles import vehicle
from rimekeep.loading.queries.views import places
from rimekeep.loading.tables import Trip


def trip_securing(
    session: Session, site_id: int, trip_id: int, *, law: Law | None, gear: Gear, walls: Walls
) -> tuple[Law, tuple[LoadHeld, ...]]:
    """Return how each row of a trip is held at departure and after every drop, and by which rules."""
    shown = trip(session, site_id, trip_id)
    request = load_request(plan(session, site_id, shown.plan_id).request)
    on_trip = places(session, [trip_id])
    return load_held(session, shown, request, on_trip, law=law, gear=gear, walls=walls)


def load_held(
    session: Session,
    shown: Trip,
    request: LoadRequest,
    on_trip: Sequence[PlaceView],
    *,
    law: Law | None = None,
    gear: Gear,
    walls: Walls = Walls.CODE_L,
) -> tuple[Law, tuple[LoadHeld, ...]]:
    """
    Return how what stands on a trip is held in every state, and by which rules.

    ``law`` None: those of the plan's weight rules. Walls of code L are the weakest the standard has. What a
    customer refused rides along, and holds and pushes on.
    """
    law = law or request.rules.law
    truck = request.trucks[shown.truck_no]
    sides = {pallet.id: (pallet.long_mm, pallet.short_mm) for pallet in request.pallets}
    heights = _heights_mm(session, shown.site_id, request, on_trip)
    standing = [
        Standing(
            place.row,
            place.lane,
            place.mass_kg,
            None if place.fate in (Fate.REFUSED, Fate.RETURNED) else place.drop,
            place.is_turned,
            place.tier,
            heights.get(place.unit_id, 0.0),
            *sides.get(place.sscc, (0.0, 0.0)),
        )
        for place in on_trip
    ]
    front_dan, rear_dan = wall_strengths_dan(walls, truck.payload_max_kg)
    room = _room(vehicle(session, shown.site_id, shown.vehicle_id).truck, front_dan, rear_dan)
    drops = sorted({place.drop for place in on_trip})
    return law, securing(truck.rows, standing, drops=drops, law=law, gear=gear, room=room)


def _heights_mm(
    session: Session, site_id: int, request: LoadRequest, on_trip: Sequence[PlaceView]
) -> dict[int, float]:
    """Return how high units are, as planned, or by their cases where the plan did not ask; 0: not known."""
    planned = {pallet.id: pallet.height_mm for pallet in request.pallets}
    found = {place.unit_id: planned.get(place.sscc, 0.0) for place in on_trip}
    open_ = [(place.order_id, place.unit_id) for place in on_trip if not found[place.unit_id]]
    return found | {unit.unit_id: unit.height_mm for unit in cargo(session, site_id, open_)}


def _room(truck: Mapping[str, Any], front_dan: float, rear_dan: float) -> Room:
    """Return the body as far as the vehicle's data tell; a combination's two bodies are not told apart."""
    deck = truck.get("deck")
    if not isinstance(deck, Mapping) or truck.get("kind") == "drawbar":
        return Room(front_dan=front_dan, rear_dan=rear_dan)
    return Room(deck.get("width_mm"), deck.get("length_mm"), front_dan=front_dan, rear_dan=rear_dan)
