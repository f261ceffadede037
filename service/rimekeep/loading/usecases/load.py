"""Load a trip by scan, and unload it again."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, refused
from rimekeep.excursions.usecases import end_trip_watch, watch_trip
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.sequence import Spot, next_to_load, next_to_unload
from rimekeep.loading.core.states import Deviation
from rimekeep.loading.tables import Trip
from rimekeep.loading.usecases.door import (
    as_data,
    in_words,
    lock_orders,
    note_deviation,
    open_trip,
    put_on_board,
    require_may_overrule,
    require_wanted,
    scanned,
)
from rimekeep.loading.usecases.moves import move_on_deck
from rimekeep.loading.usecases.temperatures import require_cold
from rimekeep.orders import usecases as orders
from rimekeep.orders.core.states import OrderState
from rimekeep.stock import usecases as stock
from rimekeep.wording import say


def load_unit(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    scan: str,
    row: int | None = None,
    lane: int | None = None,
    overrule: str | None = None,
) -> list[Spot]:
    """
    Put the scanned unit on its place; return what may come next.

    Everything for a later drop comes first, and of one drop the rows nearest the front wall. ``row`` and
    ``lane``, if given, say where it was put. A dispatcher may overrule order and place, and says why; what
    the law, the axles or QA forbid stays forbidden.
    """
    require_may_overrule(caller, overrule)
    plan, trip, places = open_trip(session, caller, trip_id)
    place = scanned(session, caller, now, plan, places, scan)
    if place.loaded_at is not None:
        raise Conflict(
            "already-loaded",
            say("Unit {sscc} is on board already.", sscc=place.sscc),
            data={"sscc": place.sscc},
        )
    put = (place.row if row is None else row, place.lane if lane is None else lane)
    if overrule is None:
        _require_turn(place, next_to_load([one.spot for one in places]))
        _require_place(place, put)
    else:
        place, places = _overruled(session, now, caller, trip, place, places, put, overrule)
    _require_lower(place, places)
    vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
    lock_orders(session, caller, [place])
    require_wanted(session, caller, plan, place)
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
    put_on_board(session, now, caller, place, vehicle)
    queries.deck_place(session, trip.id, place.unit_id).loaded_at = now
    orders.set_state(session, place.order_id, OrderState.LOADED)
    session.flush()
    return next_to_load([_with(one.spot, place.unit_id, is_loaded=True) for one in places])


def _require_lower(place: PlaceView, places: Sequence[PlaceView]) -> None:
    """Refuse what stands on top of a unit that is not on board: no word of anybody makes that possible."""
    lower = next((one for one in places if one.spot.is_under(place.spot) and not one.spot.is_loaded), None)
    if lower is not None:
        raise refused(
            "lower-first",
            "scan",
            say(
                "Unit {sscc} goes on top of unit {lower_sscc}, which is not on board.",
                sscc=place.sscc,
                lower_sscc=lower.sscc,
            ),
            say(
                "Load {sscc} first, or have the dispatcher give this one a place on the deck.",
                sscc=lower.sscc,
            ),
            {"sscc": place.sscc, "lower": lower.sscc},
        )


def _require_turn(place: PlaceView, due: Sequence[Spot]) -> None:
    if place.spot in due:
        return
    if place.tier and (due[0].drop, due[0].row) == (place.drop, place.row):
        # Only the unit below it can be missing.
        return
    why = (
        say("it would bar the way to drop {drop}", drop=due[0].drop)
        if due[0].drop > place.drop
        else say("a row ahead is not full")
    )
    raise refused(
        "not-next",
        "scan",
        say("Unit {sscc} for drop {drop} comes later: {why}.", sscc=place.sscc, drop=place.drop, why=why),
        say("Load {due} first.", due=in_words(due)),
        {"sscc": place.sscc, "next": as_data(due)},
    )


def _require_place(place: PlaceView, put: tuple[int, int]) -> None:
    if put == (place.row, place.lane):
        return
    raise refused(
        "wrong-place",
        "row" if put[0] != place.row else "lane",
        say(
            "Unit {sscc} has row {row}, lane {lane} in the plan, counted from 1 at the front wall "
            "and the left.",
            sscc=place.sscc,
            row=place.row + 1,
            lane=place.lane + 1,
        ),
        say("Put it there, or have the dispatcher move it in the plan or overrule with a reason."),
        {"sscc": place.sscc, "row": place.row, "lane": place.lane},
    )


def _overruled(
    session: Session,
    now: datetime,
    caller: Caller,
    trip: Trip,
    place: PlaceView,
    places: list[PlaceView],
    put: tuple[int, int],
    reason: str,
) -> tuple[PlaceView, list[PlaceView]]:
    """Note what is done otherwise than planned; return the unit where it really goes, and the whole deck."""
    if put != (place.row, place.lane):
        move_on_deck(session, now, caller, trip_id=trip.id, sscc=place.sscc, row=put[0], lane=put[1])
        detail = (
            f"planned in row {place.row + 1}, lane {place.lane + 1}; "
            f"put in row {put[0] + 1}, lane {put[1] + 1}"
        )
        note_deviation(session, now, caller, trip, place, Deviation.WRONG_PLACE, detail, reason)
        places = queries.places(session, [trip.id])
        place = next(one for one in places if one.unit_id == place.unit_id)
    due = next_to_load([one.spot for one in places])
    if place.spot not in due:
        detail = f"loaded before {in_words(due)}"
        note_deviation(session, now, caller, trip, place, Deviation.WRONG_ORDER, detail, reason)
    return place, places


def unload_unit(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, scan: str, zone_id: int
) -> list[Spot]:
    """Take the scanned unit off again, the last loaded first; return what may come off next."""
    plan, trip, places = open_trip(session, caller, trip_id)
    place = scanned(session, caller, now, plan, places, scan)
    if place.loaded_at is None:
        raise Conflict(
            "not-loaded", say("Unit {sscc} is not on board.", sscc=place.sscc), data={"sscc": place.sscc}
        )
    spots = [one.spot for one in places]
    free = next_to_unload(spots)
    if place.spot not in free:
        raise Refused(
            "not-reachable",
            say(
                "Unit {sscc} stands behind or below others; take {free} off first.",
                sscc=place.sscc,
                free=in_words(free),
            ),
            data={"sscc": place.sscc, "next": as_data(free)},
        )
    lock_orders(session, caller, [place])
    if not any(one.loaded_at for one in places if one.unit_id != place.unit_id):
        end_trip_watch(session, now, caller.site_id, trip_id=trip.id)
    stock.unload_units(session, now, caller, unit_ids=[place.unit_id], zone_id=zone_id)
    queries.deck_place(session, trip.id, place.unit_id).loaded_at = None
    session.flush()
    if not queries.loaded_elsewhere(session, place.order_id, but_unit_id=place.unit_id):
        is_open = queries.is_to_be_picked(session, place.order_id)
        orders.set_state(session, place.order_id, OrderState.ALLOCATED if is_open else OrderState.PICKED)
    return next_to_unload([_with(spot, place.unit_id, is_loaded=False) for spot in spots])


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
    return replace(spot, is_loaded=is_loaded)
