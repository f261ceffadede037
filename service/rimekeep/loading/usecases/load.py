"""
Load a trip by scan, unload, depart.

Caution: nobody loads before the wheels are chocked or the vehicle is locked to the dock.
"""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, refused
from rimekeep.excursions.usecases import end_trip_watch, watch_trip
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.sequence import Spot, next_to_load, next_to_unload
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.loading.usecases.temperatures import require_cold
from rimekeep.orders import queries as order_queries
from rimekeep.orders import usecases as orders
from rimekeep.orders.core.states import OrderState
from rimekeep.picking import queries as picking
from rimekeep.picking.core.scan import read_scan
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import usecases as stock


def load_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    scan: str,
    row: int | None = None,
    lane: int | None = None,
) -> list[Spot]:
    """
    Put the scanned unit on its place; return what may come next.

    Everything for a later drop comes first, and of one drop the rows nearest the front wall. ``row`` and
    ``lane``, if given, say where it was put.
    """
    plan, trip, places = _open_trip(session, caller, trip_id)
    place = _scanned(session, caller, now, places, scan)
    if place.loaded_at is not None:
        raise Conflict("already-loaded", f"Unit {place.sscc} is on board already.", data={"sscc": place.sscc})
    spots = [one.spot for one in places]
    due = next_to_load(spots)
    if place.spot not in due:
        raise refused(
            "not-next",
            "scan",
            f"Unit {place.sscc} for drop {place.drop} comes later.",
            f"Load {_words(due)} first.",
            {"sscc": place.sscc, "next": _data(due)},
        )
    if (row, lane) not in ((None, None), (place.row, None), (None, place.lane), (place.row, place.lane)):
        raise refused(
            "wrong-place",
            "row" if row not in (None, place.row) else "lane",
            f"Unit {place.sscc} has row {place.row + 1}, lane {place.lane + 1} in the plan, counted from 1 "
            "at the front wall and the left.",
            "Put it there, or have the dispatcher move it in the plan.",
            {"sscc": place.sscc, "row": place.row, "lane": place.lane},
        )
    vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
    _lock(session, caller, [place])
    _require_wanted(session, caller, plan, place)
    require_cold(session, trip_id=trip.id, unit_id=place.unit_id, sscc=place.sscc)
    watch_trip(
        session,
        now,
        caller.site_id,
        zone_id=vehicle.zone_id,
        trip_id=trip.id,
        vehicle=vehicle.code,
        drops=_drops(places),
    )
    stock.load_units(session, now, caller, unit_ids=[place.unit_id], zone_id=vehicle.zone_id)
    queries.deck_place(session, trip.id, place.unit_id).loaded_at = now
    orders.set_state(session, place.order_id, OrderState.LOADED)
    session.flush()
    return next_to_load([_with(spot, place.unit_id, is_loaded=True) for spot in spots])


def unload_unit(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, scan: str, zone_id: int
) -> list[Spot]:
    """Take the scanned unit off again, the last loaded first; return what may come off next."""
    _, trip, places = _open_trip(session, caller, trip_id)
    place = _scanned(session, caller, now, places, scan)
    if place.loaded_at is None:
        raise Conflict("not-loaded", f"Unit {place.sscc} is not on board.", data={"sscc": place.sscc})
    spots = [one.spot for one in places]
    free = next_to_unload(spots)
    if place.spot not in free:
        raise Refused(
            "not-reachable",
            f"Unit {place.sscc} stands behind others; take {_words(free)} off first.",
            data={"sscc": place.sscc, "next": _data(free)},
        )
    _lock(session, caller, [place])
    if not any(one.loaded_at for one in places if one.unit_id != place.unit_id):
        end_trip_watch(session, now, caller.site_id, trip_id=trip.id)
    stock.unload_units(session, now, caller, unit_ids=[place.unit_id], zone_id=zone_id)
    queries.deck_place(session, trip.id, place.unit_id).loaded_at = None
    session.flush()
    if not queries.loaded_elsewhere(session, place.order_id, but_unit_id=place.unit_id):
        orders.set_state(session, place.order_id, OrderState.PICKED)
    return next_to_unload([_with(spot, place.unit_id, is_loaded=False) for spot in spots])


def depart(session: Session, now: datetime, caller: Caller, *, trip_id: int) -> Trip:
    """Let a trip leave: all of it must be loaded and none of it held."""
    plan, trip, places = _open_trip(session, caller, trip_id)
    due = next_to_load([place.spot for place in places])
    if due:
        waiting = sum(place.loaded_at is None for place in places)
        raise Refused(
            "not-all-loaded",
            f"{waiting} of {len(places)} units are not loaded; next is {_words(due)}.",
            data={"waiting": waiting, "next": _data(due)},
        )
    vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
    facts = {
        place.unit_id: {
            "trip_id": trip.id,
            "vehicle": vehicle.code,
            "drop": place.drop,
            "order_id": place.order_id,
            "order": place.order_code,
            "customer_id": place.customer_id,
            "customer": place.customer_code,
        }
        for place in places
    }
    _lock(session, caller, places)
    stock.depart_units(session, now, caller, unit_ids=list(facts), facts=facts)
    trip.departed_at = now
    session.flush()
    _close_orders(session, caller, places)
    pairs = [(place.customer_id, place.unit_id) for place in places]
    for (customer_id, product_id), printed_on in sorted(queries.newest_dates(session, pairs).items()):
        orders.note_delivered(session, customer_id, product_id, printed_on)
    if all(one.departed_at is not None for one in queries.trips_of(session, plan.id)):
        plan.state = PlanState.DEPARTED
    _tell(session, now, caller, plan, trip, vehicle, places)
    return trip


def _open_trip(session: Session, caller: Caller, trip_id: int) -> tuple[LoadPlanRow, Trip, list[PlaceView]]:
    """Return a trip that may be loaded, its plan locked: two scanners take turns."""
    plan_id = queries.trip(session, caller.site_id, trip_id).plan_id
    plan = queries.plan(session, caller.site_id, plan_id, is_locked=True)
    trip = next(one for one in queries.trips_of(session, plan_id) if one.id == trip_id)
    session.refresh(trip)
    if trip.departed_at is not None:
        raise Conflict("trip-departed", f"Trip {trip.id} has departed.", data={"id": trip.id})
    if plan.state != PlanState.CONFIRMED:
        raise Refused(
            "plan-not-confirmed",
            f"Load plan {plan.id} is {plan.state}; it is loaded once it is confirmed.",
            data={"plan_id": plan.id, "state": str(plan.state)},
        )
    return plan, trip, queries.places(session, [trip.id])


def _lock(session: Session, caller: Caller, places: Sequence[PlaceView]) -> None:
    """Lock orders before their units, as a cancellation does; the other way round the two could block."""
    order_queries.lock_orders(session, caller.site_id, {place.order_id for place in places})


def _require_wanted(session: Session, caller: Caller, plan: LoadPlanRow, place: PlaceView) -> None:
    """Refuse a unit whose order, locked, was changed since it was planned: to another day, or to less."""
    order = order_queries.order(session, caller.site_id, place.order_id, is_locked=True)
    if order.ship_on != plan.ship_on:
        raise refused(
            "order-moved",
            "scan",
            f"Order {order.code} on unit {place.sscc} ships on {order.ship_on} now, not on {plan.ship_on}.",
            "Leave it, and have the day planned anew.",
            {"sscc": place.sscc, "ship_on": order.ship_on.isoformat()},
        )
    surplus = picking.units_with_surplus(session, [place.unit_id])
    if surplus:
        raise refused(
            "surplus-on-unit",
            "scan",
            f"{surplus[place.unit_id]} cases on unit {place.sscc} are not wanted any more.",
            "Take them off first; they stand among the put-backs.",
            {"sscc": place.sscc, "cases": surplus[place.unit_id]},
        )


def _scanned(
    session: Session, caller: Caller, now: datetime, places: Sequence[PlaceView], scan: str
) -> PlaceView:
    sscc = read_scan(scan, reference_year=now.year).sscc
    if sscc is None:
        raise refused(
            "scan-the-pallet",
            "scan",
            "A case label was scanned.",
            "Scan the pallet's own label, with its SSCC.",
        )
    for place in places:
        if place.sscc == sscc:
            return place
    other = queries.trip_of_unit(session, caller.site_id, sscc)
    due = next_to_load([place.spot for place in places])
    where = "on no confirmed trip" if other is None else f"on trip {other}"
    raise refused(
        "other-trip",
        "scan",
        f"Unit {sscc} is {where}, not on this one.",
        f"Leave it; next here is {_words(due)}.",
        {"sscc": sscc, "trip_id": other, "next": _data(due)},
    )


def _drops(places: Sequence[PlaceView]) -> list[dict[str, object]]:
    """Return what goes where, for those who watch the cold."""
    found: dict[int, list[PlaceView]] = {}
    for place in sorted(places, key=lambda place: place.drop):
        found.setdefault(place.drop, []).append(place)
    return [
        {
            "drop": drop,
            "customer": here[0].customer_code,
            "name": here[0].customer_name,
            "unit_ids": sorted(place.unit_id for place in here),
        }
        for drop, here in found.items()
    ]


def _with(spot: Spot, unit_id: int, *, is_loaded: bool) -> Spot:
    if spot.unit_id != unit_id:
        return spot
    return Spot(spot.unit_id, spot.sscc, spot.row, spot.lane, spot.drop, is_loaded)


def _words(spots: Sequence[Spot]) -> str:
    return " or ".join(f"{spot.sscc} (drop {spot.drop})" for spot in spots) or "nothing"


def _data(spots: Sequence[Spot]) -> list[dict[str, object]]:
    return [{"sscc": spot.sscc, "row": spot.row, "lane": spot.lane, "drop": spot.drop} for spot in spots]


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
) -> None:
    data = {
        "id": trip.id,
        "plan_id": plan.id,
        "vehicle": vehicle.code,
        "units": len(places),
        "setpoint_min_c": trip.setpoint_min_c,
        "setpoint_max_c": trip.setpoint_max_c,
        "drops": [
            {"drop": drop, "customer_id": customer_id, "customer": customer}
            for drop, customer_id, customer in sorted(
                {(place.drop, place.customer_id, place.customer_code) for place in places}
            )
        ],
    }
    record(session, caller.site_id, Event("trip.departed", now, actor_id=caller.id, data=data))
    announce(session, caller.site_id, Notice("trip.departed", now, data))
