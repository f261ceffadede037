"""Move, swap, turn and pin units by hand, on a deck or between trips; all is judged again at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, invalid
from rimekeep.loading import queries
from rimekeep.loading.core.check import check_turns
from rimekeep.loading.core.moves import DeckChange, judge
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import shut_out, shut_out_words
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.core.violation import Violation
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.loading.usecases.confirm import violation_data
from rimekeep.loading.usecases.decks import axle_table
from rimekeep.loading.usecases.making_room import (
    Put,
    after_move,
    gives_way,
    require_free_to_move,
    require_nothing_on_top,
    require_plain_places,
)
from rimekeep.loading.usecases.road import reckon_cold, require_cold_enough
from rimekeep.platform.journal import Event, record

# A row no deck has, where a unit waits while another takes its place.
_ASIDE = -1


@dataclass(frozen=True, slots=True)
class MoveResult:
    """What a move came to: rules it breaks, what gets better or worse by trip, whether it was made."""

    violations: tuple[Violation, ...]
    mended: tuple[Violation, ...]
    changes: dict[int, DeckChange]
    swapped_with: str | None
    is_made: bool


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
    plan, trips = _open_plan(session, caller, trip_id, to_trip_id, is_locked=not only_preview)
    touched = sorted({trip_id, to_trip_id or trip_id})
    places = queries.places(session, touched)
    moved = _unit_on(places, trip_id, sscc)
    to_id = to_trip_id or trip_id
    whole = load_request(plan.request)
    if row is None and lane is None and turn and to_id == trip_id:
        row, lane = moved.row, moved.lane
    if row is None or lane is None:
        raise invalid(
            "row" if row is None else "lane",
            "Where the unit is to stand is not said.",
            "Give row and lane; leave out both to turn it where it stands.",
        )
    _require_place(whole, trips[to_id], row, lane)
    there = (to_id, row, lane)
    standing_there = [one for one in places if (one.trip_id, one.row, one.lane) == there]
    require_nothing_on_top(moved, places)
    other, put = gives_way(whole, trips[to_id], moved, standing_there, there, tier)
    require_free_to_move(moved, other)
    is_turned = moved.is_turned != turn
    after = [after_move(place, moved, other, put, is_turned=is_turned) for place in places]
    changed = sorted(_renumbered(plan, after), key=lambda place: (place.trip_id, *place.standing))
    require_plain_places(changed)
    if not any(place.trip_id == trip_id for place in changed):
        raise Refused(
            "last-on-trip",
            f"Unit {sscc} is the last one on trip {trip_id}.",
            data={"sscc": sscc, "trip_id": trip_id, "mend": "Plan the day again with one vehicle fewer."},
        )
    request = _only(whole, places)
    old, new = ([_deck(some, one) for one in touched] for some in (places, changed))
    turned = (queries.turned(places), queries.turned(changed))
    judged = judge(request, old, new, [trips[one].truck_no for one in touched], turned)
    standing = [*changed, *queries.places(session, sorted(set(trips) - set(touched)))]
    found = (*judged.broken, *_shut_out(touched, changed), *_out_of_time(whole, trips, standing))
    result = MoveResult(
        found,
        judged.mended,
        dict(zip(touched, judged.decks, strict=True)),
        other.sscc if other is not None else None,
        is_made=False,
    )
    if only_preview:
        return result
    if found:
        raise Refused(
            "illegal-move", f"The move breaks a rule: {found[0].text}",
            data={"violations": [violation_data(one) for one in found]},
        )  # fmt: skip
    _write(session, moved, other, put, is_turned=is_turned)
    _write_trips(session, request, [trips[one] for one in touched], places, changed)
    if to_id != trip_id:
        # Later trips of the same vehicles leave at other times now.
        vehicles = {trips[one].vehicle_id for one in touched}
        _reckon_cold(session, now, plan, [one for one in trips.values() if one.vehicle_id in vehicles])
    data = {
        "trip_id": trip_id,
        "sscc": sscc,
        "from": [moved.row, moved.lane],
        "to_trip_id": to_id,
        "to": [row, lane],
        "tiers": [moved.tier, put.tier],
        "swapped_with": result.swapped_with,
        "is_turned": is_turned,
    }
    record(
        session,
        caller.site_id,
        Event("deck.changed", now, actor_id=caller.id, unit_id=moved.unit_id, data=data),
    )
    return replace(result, is_made=True)


def pin_units(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, ssccs: Sequence[str], is_pinned: bool
) -> Trip:
    """Pin units of a trip to their places, or let them go again; a pinned unit is not moved."""
    _, trips = _open_plan(session, caller, trip_id, None, is_locked=True)
    places = queries.places(session, [trip_id])
    for number, sscc in enumerate(dict.fromkeys(ssccs)):
        place = _unit_on(places, trip_id, sscc, where=f"ssccs[{number}]")
        if place.is_pinned == is_pinned:
            continue
        queries.deck_place(session, trip_id, place.unit_id).is_pinned = is_pinned
        kind = "deck.pinned" if is_pinned else "deck.unpinned"
        data = {"trip_id": trip_id, "sscc": sscc, "at": [place.row, place.lane]}
        told = Event(kind, now, actor_id=caller.id, unit_id=place.unit_id, data=data)
        record(session, caller.site_id, told)
    session.flush()
    return trips[trip_id]


def _open_plan(
    session: Session, caller: Caller, trip_id: int, to_trip_id: int | None, *, is_locked: bool
) -> tuple[LoadPlanRow, dict[int, Trip]]:
    """Return a plan whose decks may still be changed, and its trips."""
    plan, own = queries.plan_of_trip(session, caller.site_id, trip_id, is_locked=is_locked)
    trips = {one.id: one for one in own}
    if to_trip_id is not None and to_trip_id not in trips:
        raise invalid(
            "to_trip_id",
            f"Trip {to_trip_id} does not belong to load plan {plan.id}.",
            f"Give one of {', '.join(map(str, trips))}.",
        )
    for one in {trip_id, to_trip_id or trip_id}:
        if plan.state not in (PlanState.DRAFT, PlanState.CONFIRMED) or trips[one].departed_at is not None:
            raise Conflict("plan-state", f"Load plan {plan.id} is {plan.state}, trip {one} is closed.")
    return plan, trips


def _write(
    session: Session,
    moved: PlaceView,
    other: PlaceView | None,
    put: Put,
    *,
    is_turned: bool,
) -> None:
    stored = queries.deck_place(session, moved.trip_id, moved.unit_id)
    if other is not None:
        stored.row_no = _ASIDE
        session.flush()
        second = queries.deck_place(session, other.trip_id, other.unit_id)
        second.trip_id, second.row_no, second.lane_no = moved.trip_id, moved.row, moved.lane
        second.part_no, second.tier_no = moved.part, moved.tier
        session.flush()
    stored.trip_id, stored.row_no, stored.lane_no = put.trip_id, put.row, put.lane
    stored.part_no, stored.tier_no = put.part, put.tier
    stored.is_turned = is_turned
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
        for place in own:
            if place.drop != drops[place.unit_id]:
                queries.deck_place(session, trip.id, place.unit_id).drop_no = place.drop
    session.flush()


def _unit_on(places: list[PlaceView], trip_id: int, sscc: str, where: str = "sscc") -> PlaceView:
    found = next((place for place in places if place.trip_id == trip_id and place.sscc == sscc), None)
    if found is None:
        raise invalid(where, f"Unit {sscc} is not on this trip.", "Give a unit of this trip's deck.")
    return found


def _only(request: LoadRequest, places: Sequence[PlaceView]) -> LoadRequest:
    """Return the request with no more pallets than stand on the decks that change."""
    ssccs = {place.sscc for place in places}
    return replace(request, pallets=tuple(one for one in request.pallets if one.id in ssccs))


def _deck(places: Sequence[PlaceView], trip_id: int) -> list[tuple[str, int, int]]:
    return queries.placed([place for place in places if place.trip_id == trip_id])


def _shut_out(trip_ids: Sequence[int], places: Sequence[PlaceView]) -> list[Violation]:
    """Return a broken rule for each unit that would wait for a place behind units already on board."""
    found = []
    for vehicle, trip_id in enumerate(trip_ids):
        spots = [place.spot for place in places if place.trip_id == trip_id]
        rows = [spot.row for spot in spots if spot.is_loaded]
        found += [
            Violation("shut_out", vehicle, None, spot.row, max(rows), shut_out_words(spot))
            for spot in shut_out(spots)
        ]
    return found


def _out_of_time(
    request: LoadRequest, trips: Mapping[int, Trip], standing: Sequence[PlaceView]
) -> list[Violation]:
    """Return what the trips of one vehicle would break that follow each other."""
    if not request.has_shifts:
        return []
    own = list(trips.values())
    decks = [_deck(standing, trip.id) for trip in own]
    taken = [request.trucks[trip.truck_no] for trip in own]
    return check_turns(request, decks, taken, queries.turns(request, own, standing))


def _require_place(request: LoadRequest, trip: Trip, row: int, lane: int) -> None:
    rows = request.trucks[trip.truck_no].rows
    if row >= len(rows) or lane >= rows[row].lanes:
        raise invalid(
            "row" if row >= len(rows) else "lane",
            f"The deck has no row {row + 1}, lane {lane + 1}, counted from 1 at the front wall and the left.",
            f"The fields count from 0: row 0 to {len(rows) - 1}, lane 0 to the row's lanes less one.",
        )


def _renumbered(plan: LoadPlanRow, places: Sequence[PlaceView]) -> list[PlaceView]:
    """Return places with each trip's drops numbered from 1 in the plan's order of customers."""
    seqs = {stop["id"]: stop["seq"] for stop in plan.request["stops"]}
    found = []
    for place in places:
        own = {one.customer_code for one in places if one.trip_id == place.trip_id}
        drop = sum(seqs[code] <= seqs[place.customer_code] for code in own)
        found.append(replace(place, drop=drop))
    return found
