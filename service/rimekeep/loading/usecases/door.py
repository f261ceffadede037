"""
What happens at the dock door: whether a scanned unit may go on board, and the answer to whoever holds it.

Caution: nobody loads before the wheels are chocked or the vehicle is locked to the dock.
"""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.errors import Conflict, Forbidden, Refused, conflict, refused
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.sequence import Spot, next_to_load
from rimekeep.loading.core.states import Deviation, PlanState
from rimekeep.loading.tables import LoadDeviation, LoadPlanRow, Trip, Vehicle
from rimekeep.orders import queries as order_queries
from rimekeep.picking import queries as picking
from rimekeep.picking.core.scan import read_scan
from rimekeep.platform.journal import Event, record
from rimekeep.stock import usecases as stock
from rimekeep.wording import glued, say


def open_trip(session: Session, caller: Caller, trip_id: int) -> tuple[LoadPlanRow, Trip, list[PlaceView]]:
    """Return a trip that may be loaded, its plan locked: two scanners take turns."""
    plan, trips = queries.plan_of_trip(session, caller.site_id, trip_id)
    trip = next(one for one in trips if one.id == trip_id)
    if trip.departed_at is not None:
        raise Conflict("trip-departed", say("Trip {id} has departed.", id=trip.id), data={"id": trip.id})
    if plan.state != PlanState.CONFIRMED:
        raise Refused(
            "plan-not-confirmed",
            say(
                "Load plan {id} is {state}; it is loaded once it is confirmed.", id=plan.id, state=plan.state
            ),
            data={"plan_id": plan.id, "state": str(plan.state)},
        )
    _require_vehicle_back(session, trips, trip)
    return plan, trip, queries.places(session, [trip.id])


def _require_vehicle_back(session: Session, trips: Sequence[Trip], trip: Trip) -> None:
    """Raise Conflict while an earlier trip of the vehicle has not ended: one deck, and one air for it."""
    own = sorted((one for one in trips if one.vehicle_id == trip.vehicle_id), key=lambda one: one.trip_no)
    earlier = next((one for one in own if one.trip_no < trip.trip_no and one.ended_at is None), None)
    if earlier is None:
        return
    code = queries.vehicle(session, trip.site_id, trip.vehicle_id).code
    delivered = {one.drop for one in queries.deliveries(session, [earlier.id]).get(earlier.id, ())}
    left = sorted({place.drop for place in queries.places(session, [earlier.id])} - delivered)
    which = say(
        "Trip {id}, {trip_no} of {n} of vehicle {code},",
        id=earlier.id,
        trip_no=earlier.trip_no,
        n=len(own),
        code=code,
    )
    if earlier.departed_at is None:
        fact, mend = say("{which} has not left.", which=which), say("Load it and let it depart first.")
    elif left:
        drops = (
            say("drop {drop} is", drop=left[0])
            if len(left) == 1
            else say("drops {drops} are", drops=", ".join(map(str, left)))
        )
        fact = say("{which} is under way; {drops} not noted as delivered.", which=which, drops=drops)
        mend = say("Note what was delivered, and end that trip when the vehicle is back and empty.")
    else:
        fact = say("{which} is under way, all of it delivered.", which=which)
        mend = say("End that trip when the vehicle is back and empty.")
    raise conflict(
        "earlier-trip-under-way", "trip_id", fact, mend,
        {"trip_id": earlier.id, "trip_no": earlier.trip_no, "has_departed": earlier.departed_at is not None,
         "drops_left": left},
    )  # fmt: skip


def lock_orders(session: Session, caller: Caller, places: Sequence[PlaceView]) -> None:
    """Lock orders before their units, as a cancellation does; the other way round the two could block."""
    order_queries.lock_orders(session, caller.site_id, {place.order_id for place in places})


def require_wanted(session: Session, caller: Caller, plan: LoadPlanRow, place: PlaceView) -> None:
    """Refuse a unit whose order, locked, was changed since it was planned: to another day, or to less."""
    order = order_queries.order(session, caller.site_id, place.order_id, is_locked=True)
    if order.ship_on != plan.ship_on:
        raise refused(
            "order-moved",
            "scan",
            say(
                "Order {code} on unit {sscc} ships on {ship_on} now, not on {plan_ship_on}.",
                code=order.code,
                sscc=place.sscc,
                ship_on=order.ship_on,
                plan_ship_on=plan.ship_on,
            ),
            say("Leave it, and have the day planned anew."),
            {"sscc": place.sscc, "ship_on": order.ship_on.isoformat()},
        )
    surplus = picking.units_with_surplus(session, [place.unit_id])
    if surplus:
        raise refused(
            "surplus-on-unit",
            "scan",
            say(
                "{surplus} cases on unit {sscc} are not wanted any more.",
                surplus=surplus[place.unit_id],
                sscc=place.sscc,
            ),
            say("Take them off first; they stand among the put-backs."),
            {"sscc": place.sscc, "cases": surplus[place.unit_id]},
        )


# What to do with a unit that may not go on board, said to whoever stands at the door with it.
_MENDS = {
    "stock-held": say("Set it aside in the cold and tell QA; the dispatcher plans without it."),
    "unit-not-picked": say("Leave it: it has to be picked for its order first."),
}


def put_on_board(session: Session, now: datetime, caller: Caller, place: PlaceView, vehicle: Vehicle) -> None:
    try:
        stock.load_units(session, now, caller, unit_ids=[place.unit_id], zone_id=vehicle.zone_id)
    except Refused as stop:
        if stop.code not in _MENDS:
            raise
        data = {"sscc": place.sscc, **stop.data}
        raise refused(stop.code, "scan", _sentence(stop.detail), _MENDS[stop.code], data) from stop


def _sentence(text: str) -> str:
    return text if text.endswith(".") else glued(text, ".", by="")


def require_may_overrule(caller: Caller, reason: str | None) -> None:
    """Raise Forbidden unless whoever overrules the plan answers for it."""
    if reason is not None and not caller.roles & {Role.DISPATCHER, Role.LEAD, Role.ADMIN}:
        raise Forbidden(
            "role-missing",
            say("To overrule the plan takes a dispatcher or the lead; {name} is neither.", name=caller.name),
        )


def note_deviation(
    session: Session,
    now: datetime,
    caller: Caller,
    trip: Trip,
    place: PlaceView,
    kind: Deviation,
    detail: str,
    reason: str,
) -> None:
    added = LoadDeviation(
        site_id=caller.site_id,
        trip_id=trip.id,
        unit_id=place.unit_id,
        kind=kind,
        detail=detail,
        reason=reason,
        at=now,
        by=caller.id,
    )
    session.add(added)
    data = {"trip_id": trip.id, "sscc": place.sscc, "kind": str(kind), "detail": detail}
    told = Event("trip.deviation", now, actor_id=caller.id, unit_id=place.unit_id, reason=reason, data=data)
    record(session, caller.site_id, told)


def scanned(
    session: Session,
    caller: Caller,
    now: datetime,
    plan: LoadPlanRow,
    places: Sequence[PlaceView],
    scan: str,
) -> PlaceView:
    sscc = read_scan(scan, reference_year=now.year).sscc
    if sscc is None:
        raise refused(
            "scan-the-pallet",
            "scan",
            say("A case label was scanned."),
            say("Scan the pallet's own label, with its SSCC."),
        )
    for place in places:
        if place.sscc == sscc:
            return place
    due = next_to_load([place.spot for place in places])
    other = queries.trip_of_unit(session, caller.site_id, sscc)
    unit = queries.unit_here(session, caller.site_id, sscc)
    data: dict[str, object] = {"sscc": sscc, "trip_id": other, "next": as_data(due)}
    if unit is None:
        raise refused(
            "unknown-unit",
            "scan",
            say("Unit {sscc} is not of this store.", sscc=sscc),
            say("Leave it and tell the lead; next here is {due}.", due=in_words(due)),
            data,
        )
    where = say("on no confirmed trip") if other is None else say("on trip {other}", other=other)
    mend = say("Leave it; next here is {due}.", due=in_words(due))
    if other is not None and queries.trip(session, caller.site_id, other).plan_id == plan.id:
        mend = say(
            "Bring it there, or have the dispatcher move it to this trip; next here is {due}.",
            due=in_words(due),
        )
    raise refused(
        "other-trip",
        "scan",
        say("Unit {sscc} is {where}, not on this one.", sscc=sscc, where=where),
        mend,
        data,
    )


def in_words(spots: Sequence[Spot]) -> str:
    return " or ".join(f"{spot.sscc} (drop {spot.drop})" for spot in spots) or "nothing"


def as_data(spots: Sequence[Spot]) -> list[dict[str, object]]:
    return [
        {"sscc": spot.sscc, "row": spot.row, "lane": spot.lane, "tier": spot.tier, "drop": spot.drop}
        for spot in spots
    ]
