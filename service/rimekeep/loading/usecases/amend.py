"""Take late or changed units into a plan with the fewest moves of what stands already."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Invalid, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.check import check_plan, check_turns
from rimekeep.loading.core.day import amended_request, misfits, same_decks, with_pallets
from rimekeep.loading.core.moves import shifted_words
from rimekeep.loading.core.plan import Placement, compartments_of
from rimekeep.loading.core.replan import Replan, replan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import Spot, shut_out, shut_out_words
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.turns import turns_of
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.core.violation import Violation
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.loading.usecases.amend_facts import Facts, facts_of, former_of
from rimekeep.loading.usecases.confirm import bind_in_turn, drop_rivals, violation_data
from rimekeep.loading.usecases.decks import put_decks, stops_of
from rimekeep.loading.usecases.road import reckon_cold, require_cold_enough
from rimekeep.loading.usecases.yard import is_of_build, trucks_of
from rimekeep.orders import queries as order_queries
from rimekeep.platform.compute import Runs
from rimekeep.platform.database import let_go
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.wording import say

EFFORT = 10.0


@dataclass(frozen=True, slots=True)
class Amended:
    """
    What a change came to: units that stand elsewhere than before, new ones, and those that are gone.

    Fewer than ``moved_bound`` moves cannot be. ``vehicle_id`` is the vehicle that was needed besides. New
    customers are called last, or first where that cannot be: behind what is on board already, nothing more
    is brought. ``straightened`` are units turned by hand that stand again as their row has them.
    """

    plan: LoadPlanRow
    moved: tuple[str, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]
    moved_bound: int
    are_new_first: bool
    vehicle_id: int | None
    reasons: tuple[str, ...]
    straightened: tuple[str, ...]
    is_made: bool


def amend_plan(
    session: Session,
    now: datetime,
    caller: Caller,
    compute: Runs,
    *,
    plan_id: int,
    orders: Sequence[int] = (),
    only_preview: bool = False,
) -> Amended:
    """
    Bring a plan up to date: units its orders have by now, and those of more ``orders``, join; others leave.

    Trips that left stay as they are, and what is pinned or on board where it is. A vehicle more is taken only
    if those there cannot do it. A change that cannot be is refused with the reasons; previewed, it is only
    told and nothing is written.

    Raises
    ------
    Conflict
        The plan is closed, or changed while decks were sought.
    Refused
        An order cannot be loaded, a unit on board is no longer wanted, a trip would be left empty, there are
        no legal decks, or a confirmed plan would no longer be cold enough.
    """
    facts = facts_of(session, caller, plan_id, orders)
    # Decks are sought without the lock that keeps other writers waiting: a row that was let go and is looked
    # at again would be read anew, and take that lock.
    for trip in (*facts.trips, *facts.left):
        session.expunge(trip)
    let_go(session)
    found = _sought(facts, compute)
    if not only_preview:
        bind_in_turn(session, caller)
    plan = queries.plan(session, caller.site_id, plan_id, is_locked=not only_preview)
    if not only_preview:
        # Nobody picks for these orders, or cancels them, while their units are bound.
        order_queries.lock_orders(session, caller.site_id, {*orders, *(one.order_id for one in facts.places)})
    as_it_is = facts_of(session, caller, plan_id, orders)
    answer = found.answer
    more = answer.trucks[len(facts.trips) :]
    spare = _spare(session, as_it_is, found, more, is_locked=not only_preview)
    if as_it_is.known != facts.known or (more and not spare):
        raise Conflict(
            "plan-changed",
            say("Load plan {plan_id}, its units or the vehicles that are free changed meanwhile; ask "
"again.", plan_id=plan_id),
            data={"id": plan_id},
        )  # fmt: skip
    before = {one.sscc for one in facts.places}
    ssccs = {unit.sscc for unit in facts.cargo}
    vehicle = spare if more else None
    told = Amended(
        plan,
        answer.moved,
        tuple(sorted(ssccs - before)),
        tuple(sorted(before - ssccs)),
        answer.moved_bound,
        found.are_new_first,
        vehicle.id if vehicle else None,
        found.reasons,
        tuple(sorted({one.sscc for one in facts.places if one.is_turned} & ssccs - found.turned)),
        is_made=False,
    )
    if only_preview:
        return told
    if found.reasons:
        raise Refused("plan-not-amended", found.reasons[0], data={"reasons": list(found.reasons)})
    return _write(session, now, caller, told, as_it_is, found)


def _spare(
    session: Session, facts: Facts, found: "_Found", more: Sequence[int], *, is_locked: bool
) -> Vehicle | None:
    """Return the vehicle that is taken besides, None where none is free any more."""
    if not more:
        return None
    kind = found.request.trucks[more[0]].kind
    free = facts.spare[kind]
    if not free or not is_locked:
        return free[0] if free else None
    # What was read is read again with the row locked: it may have been corrected or taken out of use.
    vehicle = queries.vehicle(session, free[0].site_id, free[0].id, is_locked=True)
    truck = trucks_of(facts.data)[kind][0]
    return vehicle if vehicle.is_active and is_of_build(facts.data, vehicle, truck) else None


@dataclass(frozen=True)
class _Found:
    """Decks for a changed plan, or the reasons why there are none."""

    data: Mapping[str, Any]
    request: LoadRequest
    answer: Replan
    reasons: tuple[str, ...]
    are_new_first: bool
    numbers: Mapping[int, int]
    turned: frozenset[str] = frozenset()


def _sought(facts: Facts, compute: Runs) -> _Found:
    before = load_request(facts.data)
    unfit = misfits([truck for truck, _ in trucks_of(facts.data)], facts.cargo)
    unfit += facts.unknown_roads
    if unfit:
        return _unfit(facts, before, unfit)
    tries: list[_Found] = []
    for are_new_first in (False, True) if facts.has_new else (False,):
        data = _whole(
            facts,
            amended_request(facts.data, facts.cargo, facts.free, facts.joining, are_new_first=are_new_first),
        )
        try:
            whole = load_request(data)
        except Invalid as error:
            # What stood is known to be readable; what joins may be shut before anybody can be there.
            return _unfit(facts, before, [f"{one.detail} {one.mend}" for one in error.faults])
        numbers = same_decks(before, whole)
        if any(trip.truck_no not in numbers for trip in (*facts.trips, *facts.left)):
            said = "For these units the decks would be laid out otherwise; plan them by themselves."
            return _unfit(facts, before, [said])
        request = _waiting(facts, whole)
        answer = compute.run(replan, request, former_of(facts, numbers), effort=EFFORT)
        reasons = answer.reasons or (
            *_out_of_reach(facts, request, answer),
            *_shifted(facts, before, request, answer),
            *(one.text for one in _out_of_time(facts, whole, answer, numbers)),
        )
        turned, still = _turned(facts, request, answer)
        tries.append(_Found(data, request, answer, reasons or still, are_new_first, numbers, turned))
        reasons = tries[-1].reasons
        if not reasons:
            return tries[-1]
    # What bars decks that were found says more than that none were.
    return next((one for one in tries if one.answer.placed), tries[0])


def _unfit(facts: Facts, before: LoadRequest, reasons: Sequence[str]) -> _Found:
    answer = Replan((), (), (), 0, is_proven=False, reasons=tuple(reasons))
    return _Found(facts.data, before, answer, answer.reasons, are_new_first=False, numbers={})


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
            found.append(f"Trip {trip.id}: {shifted_words(*rows)}")
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


def _write(
    session: Session,
    now: datetime,
    caller: Caller,
    told: Amended,
    facts: Facts,
    found: _Found,
) -> Amended:
    plan, request, answer = told.plan, found.request, found.answer
    broken = check_plan(request, answer.placed, answer.trucks, turned=found.turned)
    if broken:
        # The checker shares no code with the planner; decks it does not pass are never written.
        raise RuntimeError(f"the changed decks break a rule: {violation_data(broken[0])}")
    trips = [*facts.trips]
    if told.vehicle_id is not None:
        added = Trip(
            site_id=plan.site_id, plan_id=plan.id, vehicle_id=told.vehicle_id, truck_no=answer.trucks[-1],
            setpoint_min_c=0.0, setpoint_max_c=0.0, axle_table=[],
        )  # fmt: skip
        session.add(added)
        session.flush()
        trips.append(added)
    put_decks(session, facts.places, facts.cargo, trips, request, answer, found.turned)
    for trip in facts.left:
        trip.truck_no = found.numbers[trip.truck_no]
    plan.request = dict(found.data)
    visited = {(one.trip_id, one.drop) for one in facts.left_places}
    plan.visits = len(visited) + sum(len(stops_of(request, deck)) for deck in answer.placed)
    plan.status = "feasible"
    plan.reasons = [
        f"Changed after it was planned: {len(told.moved)} units stand elsewhere than before, of which "
        f"{told.moved_bound} had to; whether fewer vehicles or visits would do was not asked."
    ]
    plan.lower_bound = 1 if told.removed else plan.lower_bound
    session.flush()
    if plan.state == PlanState.CONFIRMED:
        require_cold_enough(session, now, plan)
        drop_rivals(session, now, caller, plan)
    else:
        for trip in trips:
            reckon_cold(session, now, trip)
    data = {
        "id": plan.id,
        "moved": list(told.moved),
        "added": list(told.added),
        "removed": list(told.removed),
        "straightened": list(told.straightened),
    }
    record(session, caller.site_id, Event("plan.amended", now, actor_id=caller.id, data=data))
    announce(session, caller.site_id, Notice("plan.amended", now, {"id": plan.id}))
    return replace(told, is_made=True)
