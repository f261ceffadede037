"""Move a unit on a deck by hand; the plan is judged again at once."""

from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, invalid
from rimekeep.loading import queries
from rimekeep.loading.core.check import Violation, check_plan
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import shut_out
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.loading.usecases.confirm import violation_data
from rimekeep.loading.usecases.plan import axle_table
from rimekeep.platform.journal import Event, record

# A row no deck has, where a unit waits while another takes its place.
_ASIDE = -1


@dataclass(frozen=True, slots=True)
class MoveResult:
    """What a move came to: the rules it breaks, and whether it was made."""

    violations: tuple[Violation, ...]
    swapped_with: str | None
    is_made: bool


def move_on_deck(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    sscc: str,
    row: int,
    lane: int,
    only_preview: bool = False,
) -> MoveResult:
    """
    Put a unit on another place of its deck; a unit that stands there changes places with it.

    A move that breaks a rule is refused with all it breaks; previewed, it is only judged.
    """
    plan_id = queries.trip(session, caller.site_id, trip_id).plan_id
    plan = queries.plan(session, caller.site_id, plan_id, is_locked=True)
    trips = queries.trips_of(session, plan.id)
    trip = next(one for one in trips if one.id == trip_id)
    if plan.state not in (PlanState.DRAFT, PlanState.CONFIRMED) or trip.departed_at is not None:
        raise Conflict("plan-state", f"Load plan {plan.id} is {plan.state}, trip {trip.id} is closed.")
    places = queries.places(session, [one.id for one in trips])
    moved = _unit_on(places, trip_id, sscc)
    other = next((p for p in places if p.trip_id == trip_id and (p.row, p.lane) == (row, lane)), None)
    _require_place(plan, trip, row, lane)
    for one in (moved, other):
        if one is not None and one.loaded_at is not None:
            raise Refused(
                "already-loaded",
                f"Unit {one.sscc} is on board; unload it before it is moved in the plan.",
                data={"sscc": one.sscc},
            )
    changed = [_after(place, moved, other, row, lane) for place in places]
    request = load_request(plan.request)
    decks = [queries.placed([place for place in changed if place.trip_id == one.id]) for one in trips]
    trucks = [one.truck_no for one in trips]
    found = (*check_plan(request, decks, trucks), *_shut_out(trips.index(trip), trip_id, changed))
    swapped = other.sscc if other is not None and other.sscc != sscc else None
    if only_preview:
        return MoveResult(found, swapped, is_made=False)
    if found:
        raise Refused(
            "illegal-move", f"The move breaks a rule: {found[0].text}",
            data={"violations": [violation_data(one) for one in found]},
        )  # fmt: skip
    stored = queries.deck_place(session, trip_id, moved.unit_id)
    if other is not None and other.unit_id != moved.unit_id:
        stored.row_no = _ASIDE
        session.flush()
        there = queries.deck_place(session, trip_id, other.unit_id)
        there.row_no, there.lane_no = moved.row, moved.lane
        session.flush()
    stored.row_no, stored.lane_no = row, lane
    own = [Placement(place.sscc, place.row, place.lane) for place in changed if place.trip_id == trip_id]
    trip.axle_table = axle_table(vehicle_plan(request, own, truck=trip.truck_no))
    session.flush()
    data = {
        "trip_id": trip_id,
        "sscc": sscc,
        "from": [moved.row, moved.lane],
        "to": [row, lane],
        "swapped_with": swapped,
    }
    record(
        session,
        caller.site_id,
        Event("deck.changed", now, actor_id=caller.id, unit_id=moved.unit_id, data=data),
    )
    return MoveResult(found, swapped, is_made=True)


def _unit_on(places: list[PlaceView], trip_id: int, sscc: str) -> PlaceView:
    found = next((place for place in places if place.trip_id == trip_id and place.sscc == sscc), None)
    if found is None:
        raise invalid("sscc", f"Unit {sscc} is not on this trip.", "Give a unit of this trip's deck.")
    return found


def _shut_out(vehicle: int, trip_id: int, places: list[PlaceView]) -> list[Violation]:
    """Return a broken rule for each unit that would wait for a place behind units already on board."""
    spots = [place.spot for place in places if place.trip_id == trip_id]
    rows = [spot.row for spot in spots if spot.is_loaded]
    return [
        Violation(
            "shut_out",
            vehicle,
            None,
            spot.row,
            max(rows),
            f"Unit {spot.sscc} cannot reach row {spot.row + 1} (row 1 is at the front wall) before what is "
            "on board already; unload that first or give it a place nearer the doors.",
        )
        for spot in shut_out(spots)
    ]


def _require_place(plan: LoadPlanRow, trip: Trip, row: int, lane: int) -> None:
    rows = load_request(plan.request).trucks[trip.truck_no].rows
    if row >= len(rows) or lane >= rows[row].lanes:
        raise invalid(
            "row" if row >= len(rows) else "lane",
            f"The deck has no row {row + 1}, lane {lane + 1}, counted from 1 at the front wall and the left.",
            f"The fields count from 0: row 0 to {len(rows) - 1}, lane 0 to the row's lanes less one.",
        )


def _after(place: PlaceView, moved: PlaceView, other: PlaceView | None, row: int, lane: int) -> PlaceView:
    if place.unit_id == moved.unit_id:
        return replace(place, row=row, lane=lane)
    if other is not None and place.unit_id == other.unit_id:
        return replace(place, row=moved.row, lane=moved.lane)
    return place
