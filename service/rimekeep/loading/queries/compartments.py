"""How the bodies of a plan's trips are divided: by where their units stand."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from rimekeep.loading.core.day import is_divided
from rimekeep.loading.core.plan import Compartment, Placement, compartments_of
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import LoadRequest, Truck
from rimekeep.loading.queries.turns import as_planned
from rimekeep.loading.queries.views import places
from rimekeep.loading.tables import LoadPlanRow, Trip


def rooms_of(
    session: Session, whole: LoadPlanRow, trip: Trip
) -> tuple[Truck | None, tuple[Compartment, ...]]:
    """Return a trip's truck and its compartments, front first; None and nothing where there is one air."""
    if not is_divided(whole.request):
        return None, ()
    request = load_request(whole.request)
    rooms = rooms_on(request, places(session, [trip.id]), trip.truck_no)
    return (request.trucks[trip.truck_no], rooms) if rooms else (None, ())


def rooms_on(request: LoadRequest, on_trip: Sequence[PlaceView], truck: int) -> tuple[Compartment, ...]:
    """Return the compartments of a deck, front first; nothing where there is one air."""
    return compartments_of(request, [placement(place) for place in as_planned(request, on_trip)], truck=truck)


def placement(place: PlaceView) -> Placement:
    """Return a unit on its place as plans have it."""
    return Placement(place.sscc, place.row, place.lane, place.is_turned, place.tier)
