"""Let a loaded trip leave."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.sequence import next_to_load
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.loading.usecases.door import as_data, in_words, lock_orders, open_trip
from rimekeep.loading.usecases.leaving import Leaving, reckon_leaving, require_may_leave
from rimekeep.loading.usecases.telling import tell, way_facts
from rimekeep.orders import usecases as orders
from rimekeep.orders.core.states import OrderState
from rimekeep.platform.journal import Notice
from rimekeep.stock import usecases as stock
from rimekeep.wording import say


def depart(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, despite: str | None = None
) -> tuple[Trip, Leaving]:
    """
    Let a trip leave: all of it must be loaded, none of it held, and the cold must do, leaving now.

    ``despite`` is why it leaves although the cold would not do.
    """
    plan, trip, places = open_trip(session, caller, trip_id)
    due = next_to_load([place.spot for place in places])
    if due:
        waiting = sum(place.loaded_at is None for place in places)
        raise Refused(
            "not-all-loaded",
            say(
                "{waiting} of {n} units are not loaded; next is {due}.",
                waiting=waiting,
                n=len(places),
                due=in_words(due),
            ),
            data={"waiting": waiting, "next": as_data(due)},
        )
    vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
    facts = {place.unit_id: way_facts(trip, vehicle, place) for place in places}
    lock_orders(session, caller, places)
    leaving = reckon_leaving(session, now, trip, despite)
    # What is held stays, whatever the cold: nobody says "despite" to that.
    stock.depart_units(session, now, caller, unit_ids=list(facts), facts=facts)
    require_may_leave(session, now, caller, leaving)
    trip.departed_at = now
    session.flush()
    _close_orders(session, caller, places)
    pairs = [(place.customer_id, place.unit_id) for place in places]
    for (customer_id, product_id), printed_on in sorted(queries.newest_dates(session, pairs).items()):
        orders.note_delivered(session, customer_id, product_id, printed_on)
    if all(one.departed_at is not None for one in queries.trips_of(session, plan.id)):
        plan.state = PlanState.DEPARTED
    _tell(session, now, caller, plan, trip, vehicle, places, leaving)
    return trip, leaving


def _close_orders(session: Session, caller: Caller, places: Sequence[PlaceView]) -> None:
    """Mark the orders departed of which nothing is left at the site; the rest follow with their last trip."""
    order_ids = {place.order_id for place in places}
    left = {order_id for order_id, _, _ in queries.order_units(session, caller.site_id, order_ids)}
    for order_id in sorted(order_ids - left):
        orders.set_state(session, order_id, OrderState.DEPARTED)


def _tell(
    session: Session,
    now: datetime,
    caller: Caller,
    plan: LoadPlanRow,
    trip: Trip,
    vehicle: Vehicle,
    places: Sequence[PlaceView],
    leaving: Leaving,
) -> None:
    data = {
        "id": trip.id,
        "plan_id": plan.id,
        "vehicle": vehicle.code,
        "units": len(places),
        "setpoint_min_c": trip.setpoint_min_c,
        "setpoint_max_c": trip.setpoint_max_c,
        "cold": {"is_reckoned": leaving.is_reckoned, "verdict": leaving.verdict, "text": leaving.text},
        "drops": [
            {"drop": drop, "customer_id": customer_id, "customer": customer}
            for drop, customer_id, customer in sorted(
                {(place.drop, place.customer_id, place.customer_code) for place in places}
            )
        ],
    }
    tell(session, caller, Notice("trip.departed", now, data))
