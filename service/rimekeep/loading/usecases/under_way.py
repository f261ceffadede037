"""A trip that has left and has not ended, with its plan locked."""

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.tables import Trip, Vehicle
from rimekeep.wording import say


def under_way(session: Session, caller: Caller, trip_id: int) -> tuple[Trip, Vehicle, list[PlaceView]]:
    """Return a trip that is under way, its plan locked: two people take turns."""
    _, trips = queries.plan_of_trip(session, caller.site_id, trip_id)
    trip = next(one for one in trips if one.id == trip_id)
    if trip.departed_at is None:
        raise Refused(
            "trip-not-departed",
            say("Trip {id} has not departed; it is unloaded at the dock instead.", id=trip.id),
            data={"id": trip.id},
        )
    if trip.ended_at is not None:
        raise Conflict(
            "trip-ended",
            say(
                "Trip {id} ended at {ended_at}; nothing of it is on board any more.",
                id=trip.id,
                ended_at=trip.ended_at.isoformat(),
            ),
            data={"id": trip.id},
        )
    vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
    return trip, vehicle, queries.places(session, [trip.id])
