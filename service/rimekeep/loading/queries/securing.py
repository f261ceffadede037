"""How a trip's load is held as it empties."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.loading.core.gear import Gear, Law, Room, Walls, wall_strengths_dan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rows import LoadHeld, Standing, securing
from rimekeep.loading.core.states import Fate
from rimekeep.loading.queries.plans import plan, trip
from rimekeep.loading.queries.vehicles import vehicle
from rimekeep.loading.queries.views import places


def trip_securing(
    session: Session, site_id: int, trip_id: int, *, law: Law, gear: Gear, walls: Walls
) -> tuple[LoadHeld, ...]:
    """
    Return how each row of a trip is held at departure and after every drop.

    What a customer refused rides along, and holds and pushes on.
    """
    shown = trip(session, site_id, trip_id)
    request = load_request(plan(session, site_id, shown.plan_id).request)
    truck = request.trucks[shown.truck_no]
    on_trip = places(session, [trip_id])
    standing = [
        Standing(
            place.row,
            place.lane,
            place.mass_kg,
            None if place.fate in (Fate.REFUSED, Fate.RETURNED) else place.drop,
        )
        for place in on_trip
    ]
    front_dan, rear_dan = wall_strengths_dan(walls, truck.payload_max_kg)
    room = _room(vehicle(session, site_id, shown.vehicle_id).truck, front_dan, rear_dan)
    drops = sorted({place.drop for place in on_trip})
    return securing(truck.rows, standing, drops=drops, law=law, gear=gear, room=room)


def _room(truck: Mapping[str, Any], front_dan: float, rear_dan: float) -> Room:
    """Return the body as far as the vehicle's data tell; a combination's two bodies are not told apart."""
    deck = truck.get("deck")
    if not isinstance(deck, Mapping) or truck.get("kind") == "drawbar":
        return Room(front_dan=front_dan, rear_dan=rear_dan)
    return Room(deck.get("width_mm"), deck.get("length_mm"), front_dan=front_dan, rear_dan=rear_dan)
