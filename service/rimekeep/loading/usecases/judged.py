"""What a move by hand would come to, judged by the separate checker; nothing is written here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, invalid
from rimekeep.loading import queries
from rimekeep.loading.core.check import check_turns
from rimekeep.loading.core.moves import DeckChange, judge, shifted_words
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import shut_out, shut_out_words
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.core.violation import Violation
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.loading.usecases.making_room import (
    Put,
    after_move,
    gives_way,
    require_free_to_move,
    require_nothing_on_top,
    require_plain_places,
)
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class MoveResult:
    """What a move came to: rules it breaks, what gets better or worse by trip, whether it was made."""

    violations: tuple[Violation, ...]
    mended: tuple[Violation, ...]
    changes: dict[int, DeckChange]
    swapped_with: str | None
    is_made: bool


@dataclass(frozen=True, slots=True)
class Proposed:
    """A move as it would be made: where to, which unit gives way, and all places after it."""

    put: Put
    other: PlaceView | None
    is_turned: bool
    changed: list[PlaceView]
    result: MoveResult


@dataclass(frozen=True, slots=True)
class PlaceJudged:
    """One place of a deck for one unit: what moving it there comes to, or why it is no question."""

    row: int
    lane: int
    result: MoveResult | None
    refused: str | None


def open_plan(
    session: Session, caller: Caller, trip_id: int, to_trip_id: int | None, *, is_locked: bool
) -> tuple[LoadPlanRow, dict[int, Trip]]:
    """Return a plan whose decks may still be changed, and its trips."""
    plan, own = queries.plan_of_trip(session, caller.site_id, trip_id, is_locked=is_locked)
    trips = {one.id: one for one in own}
    if to_trip_id is not None and to_trip_id not in trips:
        raise invalid(
            "to_trip_id",
            say("Trip {to_trip_id} does not belong to load plan {id}.", to_trip_id=to_trip_id, id=plan.id),
            say("Give one of {choices}.", choices=", ".join(map(str, trips))),
        )
    for one in {trip_id, to_trip_id or trip_id}:
        if plan.state not in (PlanState.DRAFT, PlanState.CONFIRMED) or trips[one].departed_at is not None:
            raise Conflict(
                "plan-state",
                say(
                    "Load plan {id} is {state}, trip {one} is closed.", id=plan.id, state=plan.state, one=one
                ),
            )
    return plan, trips


class Decks:
    """The decks a move touches as they stand, read once, however many places are judged."""

    def __init__(
        self, session: Session, plan: LoadPlanRow, trips: Mapping[int, Trip], trip_id: int, to_trip_id: int
    ) -> None:
        """Read what stands on the trip and the one a unit goes to."""
        self.touched = sorted({trip_id, to_trip_id})
        self.places = queries.places(session, self.touched)
        self.whole = load_request(plan.request)
        # No more pallets than stand on the decks that change.
        ssccs = {place.sscc for place in self.places}
        pallets = tuple(one for one in self.whole.pallets if one.id in ssccs)
        self.request = replace(self.whole, pallets=pallets)
        self._trip_id, self._to_id = trip_id, to_trip_id
        self._trips = trips
        self._seqs = {stop["id"]: stop["seq"] for stop in plan.request["stops"]}
        # Only trips of one vehicle that follow each other bear on one another.
        others = sorted(set(trips) - set(self.touched)) if self.whole.has_shifts else []
        self._elsewhere = queries.places(session, others) if others else []

    def unit(self, sscc: str, where: str = "sscc") -> PlaceView:
        """Return a unit of the trip's deck."""
        return unit_on(self.places, self._trip_id, sscc, where)

    def judged(self, moved: PlaceView, row: int, lane: int, *, tier: int = 0, is_turned: bool) -> Proposed:
        """Return what it comes to to put a unit there; refused where that cannot even be judged."""
        _require_place(self.whole, self._trips[self._to_id], row, lane)
        there = (self._to_id, row, lane)
        standing = [one for one in self.places if (one.trip_id, one.row, one.lane) == there]
        require_nothing_on_top(moved, self.places)
        other, put = gives_way(self.whole, self._trips[self._to_id], moved, standing, there, tier)
        require_free_to_move(moved, other)
        after = [after_move(place, moved, other, put, is_turned=is_turned) for place in self.places]
        changed = sorted(_renumbered(self._seqs, after), key=lambda place: (place.trip_id, *place.standing))
        require_plain_places(changed)
        if not any(place.trip_id == moved.trip_id for place in changed):
            raise Refused(
                "last-on-trip",
                say("Unit {sscc} is the last one on trip {trip_id}.", sscc=moved.sscc, trip_id=moved.trip_id),
                data={
                    "sscc": moved.sscc,
                    "trip_id": moved.trip_id,
                    "mend": say("Plan the day again with one vehicle fewer."),
                },
            )
        old, new = ([_deck(some, one) for one in self.touched] for some in (self.places, changed))
        turned = (queries.turned(self.places), queries.turned(changed))
        numbers = [self._trips[one].truck_no for one in self.touched]
        judgement = judge(self.request, old, new, numbers, turned)
        found = (
            *judgement.broken,
            *_shut_out(self.touched, changed),
            *_shifted(self.touched, changed, judgement.decks),
            *_out_of_time(self.whole, self._trips, [*changed, *self._elsewhere]),
        )
        result = MoveResult(
            found,
            judgement.mended,
            dict(zip(self.touched, judgement.decks, strict=True)),
            other.sscc if other is not None else None,
            is_made=False,
        )
        return Proposed(put, other, is_turned, changed, result)


def judge_places(session: Session, caller: Caller, *, trip_id: int, sscc: str) -> list[PlaceJudged]:
    """Return for every other place of its deck what moving a unit there would come to."""
    plan, trips = open_plan(session, caller, trip_id, None, is_locked=False)
    decks = Decks(session, plan, trips, trip_id, trip_id)
    moved = decks.unit(sscc)
    rows = decks.whole.trucks[trips[trip_id].truck_no].rows
    found = []
    for row, lane in ((row, lane) for row, one in enumerate(rows) for lane in range(one.lanes)):
        if (row, lane) == (moved.row, moved.lane):
            continue
        try:
            judged = decks.judged(moved, row, lane, is_turned=moved.is_turned)
            found.append(PlaceJudged(row, lane, judged.result, None))
        except Refused as refusal:
            found.append(PlaceJudged(row, lane, None, str(refusal)))
    return found


def unit_on(places: Sequence[PlaceView], trip_id: int, sscc: str, where: str = "sscc") -> PlaceView:
    """Return a unit of a trip's deck."""
    found = next((place for place in places if place.trip_id == trip_id and place.sscc == sscc), None)
    if found is None:
        raise invalid(
            where, say("Unit {sscc} is not on this trip.", sscc=sscc), say("Give a unit of this trip's deck.")
        )
    return found


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


def _shifted(
    trip_ids: Sequence[int], places: Sequence[PlaceView], decks: Sequence[DeckChange]
) -> list[Violation]:
    """Return a broken rule for each bulkhead that would have to move with goods on board already."""
    found = []
    for vehicle, (trip_id, deck) in enumerate(zip(trip_ids, decks, strict=True)):
        aboard = sum(place.trip_id == trip_id and place.loaded_at is not None for place in places)
        if aboard and deck.bulkheads_before != deck.bulkheads_after:
            words = shifted_words(deck.bulkheads_before, deck.bulkheads_after)
            found.append(Violation("bulkhead", vehicle, None, aboard, 0, words))
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
            say(
                "The deck has no row {row}, lane {lane}, counted from 1 at the front wall and the left.",
                row=row + 1,
                lane=lane + 1,
            ),
            say(
                "The fields count from 0: row 0 to {n}, lane 0 to the row's lanes less one.", n=len(rows) - 1
            ),
        )


def _renumbered(seqs: Mapping[str, int], places: Sequence[PlaceView]) -> list[PlaceView]:
    """Return places with each trip's drops numbered from 1 in the plan's order of customers."""
    found = []
    for place in places:
        own = {one.customer_code for one in places if one.trip_id == place.trip_id}
        drop = sum(seqs[code] <= seqs[place.customer_code] for code in own)
        found.append(replace(place, drop=drop))
    return found
