"""Give up one trip of a confirmed plan, because its truck broke down or it is not needed; the rest stands."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.loading.usecases.road import reckon_cold
from rimekeep.loading.usecases.telling import tell
from rimekeep.platform.journal import Notice
from rimekeep.wording import say


def give_up_trip(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, reason: str
) -> LoadPlanRow:
    """
    Give up a trip that nothing was loaded for: its units are free to be planned again, and its vehicle.

    It is kept as it was planned, in a plan of its own that is given up. Later trips of the vehicle come one
    sooner; they may leave sooner too.

    Raises
    ------
    Conflict
        The plan is not confirmed, or the trip has left.
    Refused
        Units are on board, or the plan has no other trip.
    """
    plan, trips = queries.plan_of_trip(session, caller.site_id, trip_id)
    trip = next(one for one in trips if one.id == trip_id)
    rest = [one for one in trips if one.id != trip_id]
    _require_may_be_given_up(session, plan, trip, rest)
    places = queries.places(session, [trip.id])
    ssccs = sorted(place.sscc for place in places)
    vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
    drops = len({place.drop for place in places})
    kept = LoadPlanRow(
        site_id=plan.site_id,
        ship_on=plan.ship_on,
        state=PlanState.DROPPED,
        status=plan.status,
        lower_bound=1,
        visits=drops,
        # Whole in both plans: which layouts of decks there are follows from all that was planned.
        request=plan.request,
        reasons=[say("Given up by itself out of load plan {id}: {reason}", id=plan.id, reason=reason)],
        made_at=plan.made_at,
        confirmed_at=plan.confirmed_at,
        confirmed_by=plan.confirmed_by,
    )
    session.add(kept)
    session.flush()
    trip.plan_id, trip_no, trip.trip_no = kept.id, trip.trip_no, 1
    session.flush()
    later = sorted(
        (one for one in rest if one.vehicle_id == trip.vehicle_id and one.trip_no > trip_no),
        key=lambda one: one.trip_no,
    )
    for one in later:
        one.trip_no -= 1
        session.flush()
    plan.visits -= drops
    plan.status, plan.lower_bound = "feasible", 1
    plan.reasons = [
        say(
            "Changed after it was planned: trip {id} of vehicle {code} was given up ({reason}); its "
            "{n} units are free to be planned again.",
            id=trip.id,
            code=vehicle.code,
            reason=reason,
            n=len(places),
        )
    ]
    if all(one.departed_at is not None for one in rest):
        plan.state = PlanState.DEPARTED
    session.flush()
    for one in later:
        # They may leave at another hour now; whether the cold does is judged when they leave.
        reckon_cold(session, now, one)
    data = {
        "id": trip.id,
        "plan_id": plan.id,
        "kept_in_plan_id": kept.id,
        "vehicle": vehicle.code,
        "reason": reason,
        "ssccs": ssccs,
    }
    tell(session, caller, Notice("trip.given-up", now, data), reason=reason)
    return plan


def _require_may_be_given_up(session: Session, plan: LoadPlanRow, trip: Trip, rest: list[Trip]) -> None:
    if trip.departed_at is not None:
        raise Conflict("trip-departed", say("Trip {id} has departed.", id=trip.id), data={"id": trip.id})
    if plan.state != PlanState.CONFIRMED:
        raise Conflict(
            "plan-state",
            say(
                "Load plan {id} is {state}; a trip is given up by itself once the plan is confirmed.",
                id=plan.id,
                state=plan.state,
            ),
            data={"id": plan.id, "state": str(plan.state), "wanted": [str(PlanState.CONFIRMED)]},
        )
    if not rest:
        raise Refused(
            "only-trip",
            say(
                "Trip {id} is the only one of load plan {plan_id}; give the plan up instead.",
                id=trip.id,
                plan_id=plan.id,
            ),
            data={"id": trip.id, "plan_id": plan.id},
        )
    loaded = [place.sscc for place in queries.places(session, [trip.id]) if place.loaded_at is not None]
    if loaded:
        raise Refused(
            "trip-begun",
            say("{n} units are loaded on trip {id}; unload them first.", n=len(loaded), id=trip.id),
            data={"id": trip.id, "ssccs": loaded[:50]},
        )
