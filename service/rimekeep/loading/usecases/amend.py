"""Take late or changed units into a plan with the fewest moves of what stands already."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.day import Cargo, amended_request, misfits
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.replan import Former, Replan, replan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import Spot, shut_out, shut_out_words
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.loading.usecases.confirm import drop_rivals, violation_data
from rimekeep.loading.usecases.decks import put_decks, stops_of
from rimekeep.loading.usecases.plan import loadable_orders
from rimekeep.loading.usecases.road import reckon_cold, require_cold_enough
from rimekeep.platform.compute import Runs
from rimekeep.platform.database import let_go
from rimekeep.platform.journal import Event, record

EFFORT = 10.0


@dataclass(frozen=True, slots=True)
class Amended:
    """
    What a change came to: units that stand elsewhere than before, new ones, and those that are gone.

    Fewer than ``moved_bound`` moves cannot be. ``vehicle_id`` is the vehicle that was needed besides. New
    customers are called last, or first where that cannot be: behind what is on board already, nothing more
    is brought.
    """

    plan: LoadPlanRow
    moved: tuple[str, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]
    moved_bound: int
    are_new_first: bool
    vehicle_id: int | None
    reasons: tuple[str, ...]
    is_made: bool


@dataclass(frozen=True)
class _Facts:
    """A plan as it stands, what it is to carry now, and the vehicles for it."""

    trips: tuple[Trip, ...]
    places: tuple[PlaceView, ...]
    cargo: tuple[Cargo, ...]
    data: Mapping[str, Any]
    spare: Mapping[int, Sequence[Vehicle]]
    free: Mapping[int, int]

    @property
    def has_new(self) -> bool:
        """Tell whether a customer joins."""
        known = {stop["id"] for stop in self.data["stops"]}
        return any(unit.customer not in known for unit in self.cargo)

    @property
    def known(self) -> list[tuple[object, ...]]:
        """What must not change while decks are sought."""
        standing = [
            (one.trip_id, one.unit_id, one.row, one.lane, one.loaded_at is None, one.is_pinned)
            for one in self.places
        ]
        return [*standing, *((unit.sscc, unit.mass_kg, unit.order_id) for unit in self.cargo)]


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

    What is pinned or on board stays where it is. A vehicle more is taken only if those there cannot do it. A
    change that cannot be is refused with the reasons; previewed, it is only told and nothing is written.

    Raises
    ------
    Conflict
        The plan is closed, or changed while decks were sought.
    Refused
        An order cannot be loaded, a unit on board is no longer wanted, a trip would be left empty, there are
        no legal decks, or a confirmed plan would no longer be cold enough.
    """
    facts = _facts(session, caller, plan_id, orders)
    # Decks are sought without the lock that keeps other writers waiting.
    let_go(session)
    found = _sought(facts, compute)
    plan = queries.plan(session, caller.site_id, plan_id, is_locked=not only_preview)
    if _facts(session, caller, plan_id, orders).known != facts.known:
        raise Conflict(
            "plan-changed", f"Load plan {plan_id} or its units changed meanwhile; ask again.",
            data={"id": plan_id},
        )  # fmt: skip
    before = {one.sscc for one in facts.places}
    ssccs = {unit.sscc for unit in facts.cargo}
    answer = found.answer
    more = answer.trucks[len(facts.trips) :]
    vehicle = facts.spare[found.request.trucks[more[0]].kind][0] if more else None
    told = Amended(
        plan,
        answer.moved,
        tuple(sorted(ssccs - before)),
        tuple(sorted(before - ssccs)),
        answer.moved_bound,
        found.are_new_first,
        vehicle.id if vehicle else None,
        found.reasons,
        is_made=False,
    )
    if only_preview:
        return told
    if found.reasons:
        raise Refused("plan-not-amended", found.reasons[0], data={"reasons": list(found.reasons)})
    return _write(session, now, caller, told, facts, found)


@dataclass(frozen=True)
class _Found:
    """Decks for a changed plan, or the reasons why there are none."""

    data: dict[str, Any]
    request: LoadRequest
    answer: Replan
    reasons: tuple[str, ...]
    are_new_first: bool


def _sought(facts: _Facts, compute: Runs) -> _Found:
    former = _former(facts)
    unfit = misfits([truck for truck, _ in _trucks_of(facts.data)], facts.cargo)
    tries: list[_Found] = []
    for are_new_first in (False, True) if facts.has_new and not unfit else (False,):
        data = amended_request(facts.data, facts.cargo, facts.free, are_new_first=are_new_first)
        request = load_request(data)
        if unfit:
            answer = Replan((), former.trucks, (), 0, is_proven=False, reasons=tuple(unfit))
        else:
            answer = compute.run(replan, request, former, effort=EFFORT)
        reasons = answer.reasons or tuple(_out_of_reach(facts, request, answer))
        tries.append(_Found(data, request, answer, reasons, are_new_first))
        if not reasons:
            return tries[-1]
    return tries[0]


def _facts(session: Session, caller: Caller, plan_id: int, orders: Sequence[int]) -> _Facts:
    plan = queries.plan(session, caller.site_id, plan_id)
    trips = tuple(queries.trips_of(session, plan.id))
    is_open = plan.state in (PlanState.DRAFT, PlanState.CONFIRMED)
    if not is_open or not trips or any(trip.departed_at is not None for trip in trips):
        raise Conflict("plan-state", f"Load plan {plan.id} is {plan.state} and takes nothing more.")
    places = tuple(queries.places(session, [trip.id for trip in trips]))
    own = list(dict.fromkeys(place.order_id for place in places))
    loadable_orders(session, caller, plan.ship_on, orders)
    cargo = _cargo(session, caller, plan, own, [one for one in orders if one not in own])
    _require_none_left_behind(places, cargo, trips)
    busy = queries.busy_vehicles(session, caller.site_id)
    taken = {trip.vehicle_id for trip in trips}
    fleet = queries.active_vehicles(session, caller.site_id)
    spare: dict[int, Sequence[Vehicle]] = {}
    free: dict[int, int] = {}
    for number, (truck, _) in enumerate(_trucks_of(plan.request)):
        same = [one for one in fleet if {"name": plan.request["name"], **one.truck} == truck]
        spare[number] = [one for one in same if one.id not in busy and one.id not in taken]
        free[number] = len(spare[number]) + sum(one.id in taken for one in same)
    return _Facts(trips, places, cargo, plan.request, spare, free)


def _trucks_of(data: Mapping[str, Any]) -> list[tuple[dict[str, Any], int]]:
    """Return the trucks of a day's request as they were given, each with how many of it were free."""
    given = data["trucks"] if "trucks" in data else [data["truck"]]
    return [({key: truck[key] for key in truck if key != "available"}, truck["available"]) for truck in given]


def _cargo(
    session: Session, caller: Caller, plan: LoadPlanRow, own: Sequence[int], more: Sequence[int]
) -> tuple[Cargo, ...]:
    """Return the units to be carried: all that are ready of the plan's own orders, and of more."""
    ids = [*own, *more]
    bound = queries.bound_units(session, caller.site_id, ids)
    pairs = []
    for order_id, unit_id, is_ready in queries.order_units(session, caller.site_id, ids):
        if bound.get(unit_id, plan.id) != plan.id:
            continue
        if is_ready:
            pairs.append((order_id, unit_id))
        elif order_id in more:
            raise Refused(
                "order-not-ready",
                f"Some cases of order {order_id} are still to be picked.",
                data={"order_id": order_id},
            )
    place = {order_id: k for k, order_id in enumerate(ids)}
    return tuple(queries.cargo(session, caller.site_id, sorted(pairs, key=lambda pair: place[pair[0]])))


def _require_none_left_behind(
    places: Sequence[PlaceView], cargo: Sequence[Cargo], trips: Sequence[Trip]
) -> None:
    wanted = {unit.sscc for unit in cargo}
    aboard = [one.sscc for one in places if one.loaded_at is not None and one.sscc not in wanted]
    if aboard:
        raise Refused(
            "already-loaded",
            f"Unit {aboard[0]} is on board and no longer wanted; unload it first.",
            data={"ssccs": aboard[:50]},
        )
    for trip in trips:
        if not any(one.trip_id == trip.id and one.sscc in wanted for one in places):
            raise Refused(
                "last-on-trip",
                f"Nothing of trip {trip.id} is wanted any more; plan the day again with one vehicle fewer.",
                data={"trip_id": trip.id},
            )


def _former(facts: _Facts) -> Former:
    number = {trip.id: v for v, trip in enumerate(facts.trips)}
    places = {one.sscc: (number[one.trip_id], one.row, one.lane) for one in facts.places}
    return Former(
        places,
        tuple(trip.truck_no for trip in facts.trips),
        aboard=frozenset(one.sscc for one in facts.places if one.loaded_at is not None),
        pinned={one.sscc: places[one.sscc] for one in facts.places if one.is_pinned},
    )


def _out_of_reach(facts: _Facts, request: LoadRequest, answer: Replan) -> list[str]:
    """Say of each unit that would have to be brought past what is on board already."""
    aboard = {one.sscc for one in facts.places if one.loaded_at is not None}
    stop_of = {pallet.id: pallet.stop for pallet in request.pallets}
    found = []
    for deck in answer.placed:
        drops = {stop: drop for drop, stop in enumerate(stops_of(request, deck), 1)}
        spots = [
            Spot(k, name, row, lane, drops[stop_of[name]], name in aboard)
            for k, (name, row, lane) in enumerate(deck)
        ]
        found += [shut_out_words(spot) for spot in shut_out(spots)]
    return found


def _write(
    session: Session,
    now: datetime,
    caller: Caller,
    told: Amended,
    facts: _Facts,
    found: _Found,
) -> Amended:
    plan, request, answer = told.plan, found.request, found.answer
    broken = check_plan(request, answer.placed, answer.trucks)
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
    put_decks(session, facts.places, facts.cargo, trips, request, answer)
    plan.request = found.data
    plan.visits = sum(len(stops_of(request, deck)) for deck in answer.placed)
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
    }
    record(session, caller.site_id, Event("plan.amended", now, actor_id=caller.id, data=data))
    return replace(told, is_made=True)
