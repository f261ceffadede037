"""Decks for a plan that is to be changed, or the reasons why there are none."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rimekeep.errors import Invalid
from rimekeep.loading import queries
from rimekeep.loading.core.check import check_plan, check_turns
from rimekeep.loading.core.day import amended_request, misfits, same_decks, with_pallets
from rimekeep.loading.core.moves import shifted_words
from rimekeep.loading.core.plan import Placement, compartments_of
from rimekeep.loading.core.replan import Replan, replan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import Spot, shut_out, shut_out_words
from rimekeep.loading.core.turns import turns_of
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.core.violation import Violation
from rimekeep.loading.usecases.amend_facts import Facts, former_of
from rimekeep.loading.usecases.decks import stops_of
from rimekeep.loading.usecases.yard import trucks_of
from rimekeep.platform.compute import Runs
from rimekeep.wording import glued, say

EFFORT = 10.0


@dataclass(frozen=True)
class Found:
    """Decks for a changed plan, or the reasons why there are none."""

    data: Mapping[str, Any]
    request: LoadRequest
    answer: Replan
    reasons: tuple[str, ...]
    are_new_first: bool
    numbers: Mapping[int, int]
    turned: frozenset[str] = frozenset()


def sought(facts: Facts, compute: Runs) -> Found:
    before = load_request(facts.data)
    unfit = misfits([truck for truck, _ in trucks_of(facts.data)], facts.cargo)
    unfit += facts.unknown_roads
    if unfit:
        return _unfit(facts, before, unfit)
    tries: list[Found] = []
    for are_new_first in (False, True) if facts.has_new else (False,):
        data = _whole(
            facts,
            amended_request(facts.data, facts.cargo, facts.free, facts.joining, are_new_first=are_new_first),
        )
        try:
            whole = load_request(data)
        except Invalid as error:
            # What stood is known to be readable; what joins may be shut before anybody can be there.
            return _unfit(facts, before, [glued(one.detail, one.mend) for one in error.faults])
        numbers = same_decks(before, whole)
        if any(trip.truck_no not in numbers for trip in (*facts.trips, *facts.left)):
            said = say("For these units the decks would be laid out otherwise; plan them by themselves.")
            return _unfit(facts, before, [said])
        request = _waiting(facts, whole)
        answer = compute.run(replan, request, former_of(facts, numbers), effort=EFFORT)
        reasons = answer.reasons or (
            *_out_of_reach(facts, request, answer),
            *_shifted(facts, before, request, answer),
            *(one.text for one in _out_of_time(facts, whole, answer, numbers)),
        )
        turned, still = _turned(facts, request, answer)
        tries.append(Found(data, request, answer, reasons or still, are_new_first, numbers, turned))
        reasons = tries[-1].reasons
        if not reasons:
            return tries[-1]
    # What bars decks that were found says more than that none were.
    return next((one for one in tries if one.answer.placed), tries[0])


def _unfit(facts: Facts, before: LoadRequest, reasons: Sequence[str]) -> Found:
    answer = Replan((), (), (), 0, is_proven=False, reasons=tuple(reasons))
    return Found(facts.data, before, answer, answer.reasons, are_new_first=False, numbers={})


def _whole(facts: Facts, data: Mapping[str, Any]) -> dict[str, Any]:
    """Return the request of the whole plan: what is to be carried now, and what has left."""
    gone = {name for deck in facts.left_decks for name, _, _ in deck}
    return with_pallets(data, facts.data, gone)


def _waiting(facts: Facts, whole: LoadRequest) -> LoadRequest:
    """Return the request without what has left, and without the vehicles that are away with it."""
    gone = {name for deck in facts.left_decks for name, _, _ in deck}
    return replace(
        whole,
        pallets=tuple(pallet for pallet in whole.pallets if pallet.id not in gone),
        trucks=tuple(
            replace(truck, available=(truck.available or 0) - facts.away[truck.kind])
            for truck in whole.trucks
        ),
    )


def _turned(facts: Facts, request: LoadRequest, answer: Replan) -> tuple[frozenset[str], tuple[str, ...]]:
    """
    Return the units that stay turned, and what those break that cannot be turned back.

    Decks are sought as if nothing were turned. A unit that keeps its place stays turned if its deck is legal
    with that; else all of that deck are turned back, but for what is pinned or on board.
    """
    now = {name: (v, *at) for v, deck in enumerate(answer.placed) for name, *at in deck}
    number = {trip.id: v for v, trip in enumerate(facts.trips)}
    kept = {
        one.sscc: one
        for one in facts.places
        if one.is_turned and now.get(one.sscc) == (number[one.trip_id], one.row, one.lane)
    }
    if not kept:
        return frozenset(), ()
    broken = check_plan(request, answer.placed, answer.trucks, turned=kept)
    crowded = {one.vehicle for one in broken}
    left = frozenset(
        name
        for name, one in kept.items()
        if number[one.trip_id] not in crowded or one.is_pinned or one.loaded_at is not None
    )
    if len(left) < len(kept):
        broken = check_plan(request, answer.placed, answer.trucks, turned=left)
    return left, tuple(one.text for one in broken)


def _out_of_reach(facts: Facts, request: LoadRequest, answer: Replan) -> list[str]:
    """Say of each unit that would have to be brought past what is on board already."""
    aboard = {one.sscc for one in facts.places if one.loaded_at is not None}
    stop_of = {pallet.id: pallet.stop for pallet in request.pallets}
    found = []
    for deck in answer.placed:
        drops = {stop: drop for drop, stop in enumerate(stops_of(request, deck), 1)}
        spots = [
            Spot(k, name, row, lane, drops[stop_of[name]], name in aboard, int(name in answer.upper))
            for k, (name, row, lane) in enumerate(deck)
        ]
        found += [shut_out_words(spot) for spot in shut_out(spots)]
    return found


def _shifted(facts: Facts, before: LoadRequest, request: LoadRequest, answer: Replan) -> list[str]:
    """Say of each bulkhead that would have to move with goods on board already."""
    found = []
    for trip, deck, truck in zip(facts.trips, answer.placed, answer.trucks, strict=False):
        own = [one for one in facts.places if one.trip_id == trip.id]
        if not any(one.loaded_at is not None for one in own):
            continue
        were = queries.rooms_on(before, own, trip.truck_no)
        are = compartments_of(request, [Placement(*at) for at in deck], truck=truck)
        rows = [tuple(room.last_row for room in rooms[:-1]) for rooms in (were, are)]
        if rows[0] != rows[1]:
            found.append(say("Trip {id}: {text}", id=trip.id, text=shifted_words(*rows)))
    return found


def _out_of_time(
    facts: Facts, whole: LoadRequest, answer: Replan, numbers: Mapping[int, int]
) -> list[Violation]:
    """Return what the trips of one vehicle break that were to follow each other, those that left included."""
    if not answer.placed or not whole.has_shifts:
        return []
    decks = [*facts.left_decks, *answer.placed]
    trucks = [*(numbers[trip.truck_no] for trip in facts.left), *answer.trucks]
    trips = [(trip.vehicle_id, trip.trip_no) for trip in (*facts.left, *facts.trips)]
    # One more vehicle makes its first.
    loads = [
        (vehicle, trip_no, truck, stops_of(whole, deck))
        for (vehicle, trip_no), truck, deck in zip([*trips, (0, 1)], trucks, decks, strict=False)
    ]
    return check_turns(whole, decks, [whole.trucks[one] for one in trucks], turns_of(whole, loads))
