"""What is written of plans, trips and drops: into the ledger, and to whoever listens, in the same words."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.taken_back import TakenBack
from rimekeep.loading.tables import Trip, Vehicle
from rimekeep.platform.journal import Event, Notice, announce, record


def tell(session: Session, caller: Caller, notice: Notice, *, reason: str | None = None) -> None:
    """Record that something was done, and announce it."""
    told = Event(notice.kind, notice.at, actor_id=caller.id, reason=reason, data=notice.data)
    record(session, caller.site_id, told)
    announce(session, caller.site_id, notice)


def of_drop(
    session: Session,
    trip: Trip,
    vehicle: Vehicle,
    place: PlaceView,
    judged: TakenBack,
    said: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what is told of a report about a drop, with what the driver has to do now."""
    return {
        "id": trip.id,
        "vehicle": vehicle.code,
        "drop": place.drop,
        "customer_id": place.customer_id,
        "customer": place.customer_code,
        **said,
        "to_do": [*judged.lines, *queries.trip_rest(session, trip.site_id, trip.id).lines],
    }


def way_facts(trip: Trip, vehicle: Vehicle, place: PlaceView) -> dict[str, Any]:
    """Return what the ledger keeps of a unit's way to a customer."""
    return {
        "trip_id": trip.id,
        "vehicle": vehicle.code,
        "drop": place.drop,
        "order_id": place.order_id,
        "order": place.order_code,
        "customer_id": place.customer_id,
        "customer": place.customer_code,
    }
