"""Move, swap, turn and pin units by hand, on a deck or between trips; all is judged again at once."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid
from rimekeep.loading import queries
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.loading.usecases.confirm import violation_data
from rimekeep.loading.usecases.decks import axle_table
from rimekeep.loading.usecases.judged import Decks, MoveResult, Proposed, open_plan, unit_on
from rimekeep.loading.usecases.road import keep_said_legs, reckon_cold, require_cold_enough
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.wording import say

# A row no deck has, where a unit waits while another takes its place.
_ASIDE = -1


def move_on_deck(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    sscc: str,
    row: int | None = None,
    lane: int | None = None,
    to_trip_id: int | None = None,
    turn: bool = False,
    tier: int = 0,
    only_preview: bool = False,
) -> MoveResult:
    """
    Put a unit on another place of its deck or of another trip's of the same plan, turn it by 90°, or both.

    A unit that stands there changes places with it, but for a half pallet that has room for another beside
    it; with ``tier`` 1 it goes on top of what stands there. What another unit stands on is not moved. Moved,
    units stay turned against their rows or not. A move that breaks a rule is refused with all it
    breaks; previewed, it is only judged and nothing is written.
    """
    plan, trips = open_plan(session, caller, trip_id, to_trip_id, is_locked=not only_preview)
    to_id = to_trip_id or trip_id
    decks = Decks(session, plan, trips, trip_id, to_id)
    moved = decks.unit(sscc)
    if row is None and lane is None and turn and to_id == trip_id:
        row, lane = moved.row, moved.lane
    if row is None or lane is None:
        raise invalid(
            "row" if row is None else "lane",
            say("Where the unit is to stand is not said."),
            say("Give row and lane; leave out both to turn it where it stands."),
        )
    proposed = decks.judged(moved, row, lane, tier=tier, is_turned=moved.is_turned != turn)
    result = proposed.result
    if only_preview:
        return result
    if result.violations:
        raise Refused(
            "illegal-move", say("The move breaks a rule: {text}", text=result.violations[0].text),
            data={"violations": [violation_data(one) for one in result.violations]},
        )  # fmt: skip
    _write(session, moved, proposed)
    touched = [trips[one] for one in decks.touched]
    _write_trips(session, decks.request, touched, decks.places, proposed.changed)
    if to_id != trip_id:
        # Later trips of the same vehicles leave at other times now.
        vehicles = {one.vehicle_id for one in touched}
        _reckon_cold(session, now, plan, [one for one in trips.values() if one.vehicle_id in vehicles])
    data = {
        "trip_id": trip_id,
        "sscc": sscc,
        "from": [moved.row, moved.lane],
        "to_trip_id": to_id,
        "to": [row, lane],
        "tiers": [moved.tier, proposed.put.tier],
        "swapped_with": result.swapped_with,
        "is_turned": proposed.is_turned,
    }
    record(
        session,
        caller.site_id,
        Event("deck.changed", now, actor_id=caller.id, unit_id=moved.unit_id, data=data),
    )
    announce(session, caller.site_id, Notice("deck.changed", now, data))
    return replace(result, is_made=True)


def pin_units(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, ssccs: Sequence[str], is_pinned: bool
) -> Trip:
    """Pin units of a trip to their places, or let them go again; a pinned unit is not moved."""
    _, trips = open_plan(session, caller, trip_id, None, is_locked=True)
    places = queries.places(session, [trip_id])
    for number, sscc in enumerate(dict.fromkeys(ssccs)):
        place = unit_on(places, trip_id, sscc, where=f"ssccs[{number}]")
        if place.is_pinned == is_pinned:
            continue
        queries.deck_place(session, trip_id, place.unit_id).is_pinned = is_pinned
        kind = "deck.pinned" if is_pinned else "deck.unpinned"
        data = {"trip_id": trip_id, "sscc": sscc, "at": [place.row, place.lane]}
        told = Event(kind, now, actor_id=caller.id, unit_id=place.unit_id, data=data)
        record(session, caller.site_id, told)
        announce(session, caller.site_id, Notice("deck.changed", now, data))
    session.flush()
    return trips[trip_id]


def _write(session: Session, moved: PlaceView, made: Proposed) -> None:
    stored = queries.deck_place(session, moved.trip_id, moved.unit_id)
    other = made.other
    if other is not None:
        stored.row_no = _ASIDE
        session.flush()
        second = queries.deck_place(session, other.trip_id, other.unit_id)
        second.trip_id, second.row_no, second.lane_no = moved.trip_id, moved.row, moved.lane
        second.part_no, second.tier_no = moved.part, moved.tier
        session.flush()
    put = made.put
    stored.trip_id, stored.row_no, stored.lane_no = put.trip_id, put.row, put.lane
    stored.part_no, stored.tier_no = put.part, put.tier
    stored.is_turned = made.is_turned
    session.flush()


def _reckon_cold(session: Session, now: datetime, plan: LoadPlanRow, trips: Sequence[Trip]) -> None:
    """Work out anew what the road does to other loads; what is confirmed has to stay good enough."""
    if plan.state == PlanState.CONFIRMED:
        require_cold_enough(session, now, plan)
        return
    for trip in trips:
        reckon_cold(session, now, trip)


def _write_trips(
    session: Session,
    request: LoadRequest,
    trips: Sequence[Trip],
    before: Sequence[PlaceView],
    after: Sequence[PlaceView],
) -> None:
    """Note what follows for the trips: drop numbers, weights in every state, the air all may travel in."""
    drops = {place.unit_id: place.drop for place in before}
    for trip in trips:
        own = [place for place in after if place.trip_id == trip.id]
        made = vehicle_plan(
            request,
            [Placement(place.sscc, place.row, place.lane, place.is_turned, place.tier) for place in own],
            truck=trip.truck_no,
        )
        trip.axle_table = axle_table(made)
        trip.setpoint_min_c, trip.setpoint_max_c = made.setpoint_min_c, made.setpoint_max_c
        keep_said_legs(trip, before, {place.drop: place.customer_code for place in own})
        for place in own:
            if place.drop != drops[place.unit_id]:
                queries.deck_place(session, trip.id, place.unit_id).drop_no = place.drop
    session.flush()
