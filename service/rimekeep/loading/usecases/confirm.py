"""Confirm a plan, which binds its vehicles and units, or drop it."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.cargo import Cargo
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.day import class_name
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.violation import Violation
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.loading.usecases.road import require_cold_enough
from rimekeep.loading.usecases.telling import tell
from rimekeep.loading.usecases.yard import is_of_build, trucks_of
from rimekeep.orders import queries as order_queries
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, Notice, record
from rimekeep.wording import say


def bind_in_turn(session: Session, caller: Caller) -> None:
    """Wait for others who bind vehicles and units: two that want the same come one after the other."""
    take_turns(session, f"confirming load plans at site {caller.site_id}")


def confirm_plan(session: Session, now: datetime, caller: Caller, plan_id: int) -> LoadPlanRow:
    """
    Bind a draft's vehicles and units, after checking it against the facts as they are now.

    Drafts that want one of the same vehicles or units are dropped.
    """
    bind_in_turn(session, caller)
    plan = queries.plan(session, caller.site_id, plan_id, is_locked=True)
    _require_state(plan, PlanState.DRAFT)
    if plan.status == "infeasible":
        raise Refused(
            "plan-infeasible",
            say("Load plan {id} found no way to carry the day; its reasons say why.", id=plan.id),
            data={"reasons": list(plan.reasons)},
        )  # fmt: skip
    trips = queries.trips_of(session, plan.id)
    places = queries.places(session, [trip.id for trip in trips])
    order_queries.lock_orders(session, caller.site_id, [place.order_id for place in places])
    _require_free(session, plan, [trip.vehicle_id for trip in trips], places)
    _require_same_facts(session, plan, places)
    _require_same_vehicles(session, plan, trips)
    decks = [queries.placed([place for place in places if place.trip_id == trip.id]) for trip in trips]
    request = load_request(plan.request)
    turns = queries.turns(request, trips, places) if request.has_shifts else None
    found = check_plan(
        request, decks, [trip.truck_no for trip in trips], turns=turns, turned=queries.turned(places)
    )
    if found:
        raise Refused(
            "plan-not-legal", say("The plan breaks a rule: {text}", text=found[0].text),
            data={"violations": [violation_data(one) for one in found]},
        )  # fmt: skip
    require_cold_enough(session, now, plan)
    plan.state = PlanState.CONFIRMED
    plan.confirmed_at = now
    plan.confirmed_by = caller.id
    drop_rivals(session, now, caller, plan)
    facts = {
        "id": plan.id,
        "ship_on": plan.ship_on.isoformat(),
        "trips": [{"id": trip.id, "vehicle_id": trip.vehicle_id} for trip in trips],
        "units": len(places),
    }
    tell(session, caller, Notice("plan.confirmed", now, facts))
    session.flush()
    return plan


def drop_rivals(session: Session, now: datetime, caller: Caller, plan: LoadPlanRow) -> None:
    """Drop the drafts that want a vehicle or unit a confirmed plan has."""
    for rival in queries.rivals(session, plan):
        rival.state = PlanState.DROPPED
        data = {"id": rival.id, "for_plan_id": plan.id}
        record(session, caller.site_id, Event("plan.dropped", now, actor_id=caller.id, data=data))


def violation_data(found: Violation) -> dict[str, object]:
    """Return a broken rule as plain data."""
    return {
        "kind": found.kind,
        "after_stop": found.after_stop,
        "figure": found.figure,
        "limit": found.limit,
        "text": found.text,
    }


def _require_state(plan: LoadPlanRow, *states: PlanState) -> None:
    if plan.state not in states:
        raise Conflict(
            "plan-state",
            say("Load plan {id} is {state}.", id=plan.id, state=plan.state),
            data={"id": plan.id, "state": str(plan.state), "wanted": [str(state) for state in states]},
        )


def _require_free(
    session: Session, plan: LoadPlanRow, vehicle_ids: Sequence[int], places: Sequence[PlaceView]
) -> None:
    busy = queries.busy_vehicles(session, plan.site_id)
    for vehicle_id in sorted(set(vehicle_ids)):
        # Locked, so that nobody corrects it or takes it out of use meanwhile.
        vehicle = queries.vehicle(session, plan.site_id, vehicle_id, is_locked=True)
        if vehicle_id in busy or not vehicle.is_active:
            why = (
                say("on load plan {busy}", busy=busy[vehicle_id]) if vehicle_id in busy else say("out of use")
            )
            raise Conflict(
                "vehicle-busy",
                say("Vehicle {code} is {why}; plan again.", code=vehicle.code, why=why),
                data={"vehicle_id": vehicle_id},
            )
    bound = queries.bound_units(session, plan.site_id, {place.order_id for place in places})
    for place in places:
        if place.unit_id in bound:
            raise Conflict(
                "unit-planned",
                say(
                    "Unit {sscc} is on load plan {bound} already; plan again.",
                    sscc=place.sscc,
                    bound=bound[place.unit_id],
                ),
                data={"sscc": place.sscc, "plan_id": bound[place.unit_id]},
            )


def _require_same_facts(session: Session, plan: LoadPlanRow, places: Sequence[PlaceView]) -> None:
    """Raise Conflict unless the orders still are on these units, and these are what was planned."""
    order_ids = {place.order_id for place in places}
    bound = queries.bound_units(session, plan.site_id, order_ids)
    ready = {
        (order_id, unit_id): is_ready
        for order_id, unit_id, is_ready in queries.order_units(session, plan.site_id, order_ids)
        if unit_id not in bound
    }
    planned = {(place.order_id, place.unit_id) for place in places}
    now_there = queries.cargo(session, plan.site_id, sorted(planned))
    carried = {pallet["id"]: pallet for pallet in plan.request["pallets"]}
    is_same = all(unit.sscc in carried and _is_as_planned(unit, carried[unit.sscc]) for unit in now_there)
    if ready.keys() != planned or not all(ready.values()) or len(now_there) != len(planned) or not is_same:
        raise Conflict(
            "plan-outdated",
            say("Since load plan {id} was made its orders or their units changed; plan again.", id=plan.id),
            data={"id": plan.id},
        )


def _is_as_planned(unit: Cargo, pallet: Mapping[str, Any]) -> bool:
    """Tell whether a unit still is what was planned: its mass, its air, customer, size and strength."""
    return (
        (unit.mass_kg, unit.footprint) == (pallet["weight_kg"], pallet["footprint"])
        and (class_name(unit.carry_range_c), unit.customer) == (pallet["class"], pallet["stop"])
        and unit.height_mm == pallet.get("height_mm", unit.height_mm)
        and unit.top_max_kg >= pallet.get("top_max_kg", 0)
    )


def _require_same_vehicles(session: Session, plan: LoadPlanRow, trips: Sequence[Trip]) -> None:
    """Raise Conflict if the data of a vehicle were corrected since the plan was made with them."""
    given = [truck for truck, _ in trucks_of(plan.request)]
    kinds = [truck.kind for truck in load_request(plan.request).trucks]
    for trip in trips:
        vehicle = queries.vehicle(session, plan.site_id, trip.vehicle_id)
        if not is_of_build(plan.request, vehicle, given[kinds[trip.truck_no]]):
            raise Conflict(
                "plan-outdated",
                say(
                    "The data of vehicle {code} changed since load plan {plan_id} was made; plan again.",
                    code=vehicle.code,
                    plan_id=plan.id,
                ),
                data={"id": plan.id, "vehicle_id": vehicle.id},
            )


def drop_plan(session: Session, now: datetime, caller: Caller, plan_id: int) -> LoadPlanRow:
    """Give a plan up that nothing was loaded by; its vehicles and units are free again."""
    plan = queries.plan(session, caller.site_id, plan_id, is_locked=True)
    _require_state(plan, PlanState.DRAFT, PlanState.CONFIRMED)
    trips = queries.trips_of(session, plan.id)
    loaded = [place for place in queries.places(session, [trip.id for trip in trips]) if place.loaded_at]
    if loaded:
        raise Refused(
            "plan-begun",
            say("{n} units are loaded by load plan {id}; unload them first.", n=len(loaded), id=plan.id),
            data={"ssccs": [place.sscc for place in loaded[:50]]},
        )
    plan.state = PlanState.DROPPED
    record(session, caller.site_id, Event("plan.dropped", now, actor_id=caller.id, data={"id": plan.id}))
    session.flush()
    return plan
