"""Which trip of which vehicle comes when, as the plan and its decks stand."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.turns import turns_of
from rimekeep.loading.core.vehicle import LoadRequest, Turn
from rimekeep.loading.tables import Trip


def as_planned(request: LoadRequest, on_trip: Sequence[PlaceView]) -> list[PlaceView]:
    """Return the units the plan put on a trip, without what was split off them when it was refused."""
    known = {pallet.id for pallet in request.pallets}
    return [place for place in on_trip if place.sscc in known]


def turns(request: LoadRequest, trips: Sequence[Trip], places: Sequence[PlaceView]) -> list[Turn]:
    """Return of each of a plan's trips which it is of its vehicle, when it leaves and when it is back."""
    drops: dict[int, dict[int, str]] = {trip.id: {} for trip in trips}
    for place in as_planned(request, places):
        drops[place.trip_id][place.drop] = place.customer_code
    stops = {trip_id: [own[drop] for drop in sorted(own)] for trip_id, own in drops.items()}
    loads = [(trip.vehicle_id, trip.trip_no, trip.truck_no, stops[trip.id]) for trip in trips]
    return list(turns_of(request, loads))


def clock_at(seconds: int | None, ship_on: date, zone: ZoneInfo) -> datetime | None:
    """Return the moment of a second of the day, by the site's clock; see `core.day_roads.trip_drive`."""
    midnight = datetime.combine(ship_on, time(0), tzinfo=zone)
    return None if seconds is None else midnight + timedelta(seconds=seconds)
