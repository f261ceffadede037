"""Take late or changed units into a plan with the fewest moves of what stands already."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.loading.usecases.amend_decks import Found, sought
from rimekeep.loading.usecases.amend_facts import Facts, facts_of
from rimekeep.loading.usecases.confirm import bind_in_turn, drop_rivals, violation_data
from rimekeep.loading.usecases.decks import put_decks, stops_of
from rimekeep.loading.usecases.road import reckon_cold, require_cold_enough
from rimekeep.loading.usecases.yard import is_of_build, trucks_of
from rimekeep.orders import queries as order_queries
from rimekeep.platform.compute import Runs
from rimekeep.platform.database import let_go
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.wording import say


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
    found = sought(facts, compute)
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
            say(
                "Load plan {plan_id}, its units or the vehicles that are free changed meanwhile; ask again.",
                plan_id=plan_id,
            ),
            data={"id": plan_id},
        )
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
    session: Session, facts: Facts, found: Found, more: Sequence[int], *, is_locked: bool
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


def _write(
    session: Session,
    now: datetime,
    caller: Caller,
    told: Amended,
    facts: Facts,
    found: Found,
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
        say(
            "Changed after it was planned: {n} units stand elsewhere than before, of which "
            "{moved_bound} had to; whether fewer vehicles or visits would do was not asked.",
            n=len(told.moved),
            moved_bound=told.moved_bound,
        )
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
