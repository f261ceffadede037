"""
Hand drops over, and end a trip with what comes back.

Caution: a closed body is aired before anybody goes in (CO2 of a leaked keg or of dry ice lies low and has no
smell), and nobody stands between a pallet and a wall. Local rules and the carrier's come first.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, invalid, missing
from rimekeep.excursions import usecases as excursions
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.states import Fate
from rimekeep.loading.core.taken_back import TakenBack
from rimekeep.loading.tables import DropDelivery, Trip, Vehicle
from rimekeep.loading.usecases.empties import Empties, judge_empties, note_empties
from rimekeep.loading.usecases.refusals import (
    Refusal,
    note_refusals,
    place_refused,
    read_refusals,
    set_down,
    split_refused,
)
from rimekeep.loading.usecases.returned import judge_returned
from rimekeep.loading.usecases.telling import of_drop, tell, way_facts
from rimekeep.loading.usecases.under_way import under_way
from rimekeep.orders import queries as order_queries
from rimekeep.picking.usecases import return_allocations
from rimekeep.platform.journal import Notice
from rimekeep.stock import usecases as stock
from rimekeep.stock.usecases.units import known_room, require_past
from rimekeep.wording import say


def deliver_drop(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    number: int,
    at: datetime | None = None,
    note: str = "",
    refused: Sequence[str] = (),
    refusals: Sequence[Refusal] = (),
    empties: Sequence[Empties] = (),
) -> tuple[DropDelivery, TakenBack]:
    """
    Note that a drop was delivered: its units left the vehicle at ``at``, but for what the customer refused.

    Whole units, given by SSCC, ride along until the trip ends; of others some cases may be refused, which get
    a unit of their own and ride along too. It may be told afterwards, also when the vehicle has been loaded
    anew since. Empties taken back are judged with all that is on board then: the driver is told at once where
    they go and whether there are too many for the rest of the trip.
    """
    trip, vehicle, places = under_way(session, caller, trip_id)
    here = [place for place in places if place.drop == number]
    if not here:
        raise missing("drop", number)
    known = {one.drop: one for one in queries.deliveries(session, [trip.id]).get(trip.id, ())}
    if number in known:
        said = known[number].delivered_at.isoformat()
        raise Conflict(
            "drop-delivered",
            say("Drop {number} was delivered at {said}.", number=number, said=said),
            data={"drop": number, "at": said},
        )
    delivered_at = at or now
    _check_time(trip, now, delivered_at)
    whole, parts = read_refusals(session, here, refused, refusals)
    kept = {one.place.unit_id for one in whole}
    gone = [place for place in here if place.unit_id not in kept]
    order_queries.lock_orders(session, caller.site_id, {place.order_id for place in here})
    off = {place.unit_id: place.off_at for place in places if place.off_at is not None}
    off |= {place.unit_id: delivered_at for place in gone}
    if len(off) == len(places) and not parts:
        excursions.end_trip_watch(session, max(off.values()), caller.site_id, trip_id=trip.id)
    ridden = split_refused(session, now, caller, trip, vehicle, parts, delivered_at)
    if gone:
        stock.deliver_units(
            session,
            now,
            caller,
            unit_ids=[place.unit_id for place in gone],
            at=delivered_at,
            facts={place.unit_id: way_facts(trip, vehicle, place) for place in gone},
        )
    for place in here:
        row = queries.deck_place(session, trip.id, place.unit_id)
        row.fate = Fate.REFUSED if place.unit_id in kept else Fate.DELIVERED
        row.off_at = None if place.unit_id in kept else delivered_at
    added = DropDelivery(
        site_id=caller.site_id,
        trip_id=trip.id,
        drop_no=number,
        delivered_at=delivered_at,
        note=note,
        recorded_at=now,
        recorded_by=caller.id,
    )
    session.add(added)
    session.flush()
    place_refused(session, trip, ridden, delivered_at)
    set_down(session, trip)
    note_refusals(session, trip, whole, ridden)
    judged = judge_empties(session, trip, number, here[0].customer_code, empties)
    note_empties(session, trip, number, empties, judged)
    report = {
        "delivered_at": delivered_at.isoformat(),
        "units": len(gone),
        "refused": sorted(place.sscc for place in here if place.unit_id in kept),
        "refused_cases": sum(one.cases for one in parts),
        "empties": {one.kind: one.pieces for one in empties},
        "note": note,
    }
    data = of_drop(session, trip, vehicle, here[0], judged, report)
    tell(session, caller, Notice("trip.delivered", now, data))
    return added, judged


def end_trip(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    zone_id: int | None = None,
    at: datetime | None = None,
    note: str = "",
) -> Trip:
    """
    End a trip: what is still on board comes back into a room of the store, as ordinary stock.

    On hold for QA goes what a customer refused, what an excursion of this trip touched, even if its rule
    holds nothing, and what the air on the trip is not known of or too little life is left of. Its life goes
    on with all that the trip used up of it.
    """
    trip, vehicle, places = under_way(session, caller, trip_id)
    ended_at = at or now
    _check_time(trip, now, ended_at)
    delivered = queries.deliveries(session, [trip.id]).get(trip.id, ())
    last_at = max((one.delivered_at for one in delivered), default=ended_at)
    if ended_at < last_at:
        raise invalid(
            "at",
            say("A drop was delivered at {last_at}.", last_at=last_at.isoformat()),
            say("Give a time after that."),
        )
    back = [place for place in places if place.is_aboard]
    if back and zone_id is None:
        raise invalid(
            "zone_id",
            say("{n} units are still on board, {sscc} among them.", n=len(back), sscc=back[0].sscc),
            say("Say into which room they come back, or have their drops delivered first."),
        )
    if zone_id is not None:
        known_room(session, caller.site_id, zone_id)
    # What the last readings say decides what is held.
    excursions.end_trip_watch(session, ended_at, caller.site_id, trip_id=trip.id)
    excursions.check_zone(session, now, caller.site_id, vehicle.zone_id)
    held: set[int] = set()
    if back and zone_id is not None:
        order_queries.lock_orders(session, caller.site_id, {place.order_id for place in back})
        notes = {one.drop: one.note for one in delivered}
        held = _take_back(session, now, caller, trip, vehicle, back, notes, zone_id, ended_at)
    trip.ended_at = ended_at
    session.flush()
    data = {
        "id": trip.id,
        "vehicle": vehicle.code,
        "ended_at": ended_at.isoformat(),
        "zone_id": zone_id,
        "came_back": sorted(place.sscc for place in back),
        "refused": sorted(place.sscc for place in back if place.fate == Fate.REFUSED),
        "held": sorted(place.sscc for place in back if place.unit_id in held),
        "note": note,
    }
    tell(session, caller, Notice("trip.ended", now, data))
    return trip


def _check_time(trip: Trip, now: datetime, at: datetime) -> None:
    require_past(at, now, "at")
    if trip.departed_at is not None and at < trip.departed_at:
        raise invalid(
            "at",
            say(
                "The trip departed at {departed_at}, after {at}.",
                departed_at=trip.departed_at.isoformat(),
                at=at.isoformat(),
            ),
            say("Give a time after that."),
        )


def _take_back(
    session: Session,
    now: datetime,
    caller: Caller,
    trip: Trip,
    vehicle: Vehicle,
    back: Sequence[PlaceView],
    notes: dict[int, str],
    zone_id: int,
    at: datetime,
) -> set[int]:
    """Put what is on board into a room, and on hold what has to be; return what is held."""
    unit_ids = [place.unit_id for place in back]
    for place in back:
        row = queries.deck_place(session, trip.id, place.unit_id)
        row.fate = place.fate or Fate.RETURNED
        row.off_at = at
    facts = {
        place.unit_id: {**way_facts(trip, vehicle, place), "is_refused": place.fate == Fate.REFUSED}
        for place in back
    }
    stock.take_back_units(session, now, caller, unit_ids=unit_ids, zone_id=zone_id, at=at, facts=facts)
    return_allocations(session, caller.site_id, unit_ids)
    held: set[int] = set()
    for drop, refused in _by_drop(place for place in back if place.fate == Fate.REFUSED):
        why = f"refused by {refused[0].customer_code} at drop {drop} of trip {trip.id}"
        if notes.get(drop):
            why += f": {notes[drop]}"
        own = {place.unit_id for place in refused}
        # An excursion's decision does not let go what a customer would not take.
        stock.hold_units(session, now, caller.site_id, unit_ids=own, reason=why, actor_id=caller.id)
        held |= own
    held |= excursions.hold_returned(
        session, now, caller.site_id, trip_id=trip.id, unit_ids=unit_ids, actor_id=caller.id
    )
    rest = [place for place in back if place.unit_id not in held]
    held |= judge_returned(session, now, caller, trip, vehicle, rest, at)
    return held | set(stock.hold_recalled(session, now, caller, unit_ids=unit_ids))


def _by_drop(places: Iterable[PlaceView]) -> list[tuple[int, list[PlaceView]]]:
    found: dict[int, list[PlaceView]] = {}
    for place in places:
        found.setdefault(place.drop, []).append(place)
    return sorted(found.items())
