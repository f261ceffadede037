"""Plan a day's deliveries on the vehicles that are free, whatever their build."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused
from rimekeep.loading import queries
from rimekeep.loading.core.about import About
from rimekeep.loading.core.cargo import Cargo
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.day import day_request, is_divided, kept_whole, misfits, without_division
from rimekeep.loading.core.day_roads import as_planned, with_roads
from rimekeep.loading.core.divided_planner import plan_sparing
from rimekeep.loading.core.plan import LoadPlan, part_numbers
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.tables import DeckPlace, LoadPlanRow, Trip
from rimekeep.loading.usecases.decks import axle_table
from rimekeep.loading.usecases.road import reckon_cold
from rimekeep.loading.usecases.yard import builds, free_vehicles, shifts_of, unknown
from rimekeep.orders import queries as order_queries
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import SalesOrder
from rimekeep.platform.compute import Runs
from rimekeep.platform.database import let_go
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say

# Solver effort of one plan; about as many seconds at most.
EFFORT = 20.0
MOST_UNITS = 1000


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be carried: orders in drop order, their units, and notes on what is left out."""

    cargo: tuple[Cargo, ...]
    notes: tuple[str, ...]

    @property
    def stops(self) -> list[str]:
        """Customers in drop order."""
        return list(dict.fromkeys(unit.customer for unit in self.cargo))


def plan_day(
    session: Session,
    now: datetime,
    caller: Caller,
    compute: Runs,
    *,
    ship_on: date,
    vehicle_ids: Sequence[int] | None = None,
    drops: Sequence[int] | None = None,
    max_stops_per_trip: int | None = None,
    weight_profile: str | None = None,
    weight_profiles: Sequence[dict[str, Any]] = (),
    roads: Mapping[str, Any] | None = None,
    empties: Sequence[Mapping[str, Any]] = (),
    shifts: Sequence[Mapping[str, Any]] = (),
    stacks: bool = True,
    divide: bool = True,
) -> LoadPlanRow:
    """
    Put a day's orders on vehicles; the answer may be that they do not fit, and why.

    ``drops`` are orders in the order they are delivered; without it, all of the day that are ready, in the
    order they were placed. Orders of one customer are one drop, at the place of the first. With ``roads``
    (the depot, when trucks leave, speed and detour) trips are told what they drive, and without ``drops`` the
    order is chosen. ``empties`` are announced at the drop of an order. With ``shifts`` vehicles may make
    several trips, one after the other. With ``stacks`` units may go on top of each other where products and
    vehicles allow, and do where that spares a vehicle or a visit. With ``divide`` vehicles that have
    compartments, and the data to reckon their cold, carry goods that share no air behind bulkheads. Nothing
    is reserved: a plan binds vehicles and units when it is confirmed.
    """
    vehicles = free_vehicles(session, caller, vehicle_ids)
    wanted = _wanted(session, caller, ship_on, drops)
    yard = builds(vehicles, shifts_of(vehicles, shifts, has_roads=roads is not None))
    data = day_request(
        [(truck, len(same)) for truck, same in yard],
        name=f"{ship_on.isoformat()} {', '.join(vehicle.code for vehicle in vehicles)}"[:200],
        stops=wanted.stops,
        cargo=wanted.cargo,
        max_stops_per_trip=max_stops_per_trip,
        empties=_empties(wanted.cargo, empties),
        stacks=stacks,
        divide=divide,
    )
    if weight_profile is not None:
        data["rules"]["weight_profile"] = weight_profile
        data |= {"weight_profiles": list(weight_profiles)} if weight_profiles else {}
    if roads is not None:
        ids = list(dict.fromkeys(unit.order_id for unit in wanted.cargo))
        places = queries.drop_places(session, caller.site_id, ids)
        data = with_roads(data, roads, places, is_order_given=drops is not None)
    reasons = misfits([truck for truck, _ in yard], wanted.cargo)
    named = [(truck, ", ".join(vehicle.code for vehicle in same)) for truck, same in yard]
    notes = [*(kept_whole(named, wanted.cargo) if divide else ()), *wanted.notes]
    offered = [[vehicle.id for vehicle in same] for _, same in yard]
    if reasons:
        return _note(session, now, caller, ship_on, data, None, [*reasons, *notes])
    request = load_request(data)
    # Planning may take many seconds, and on SQLite this transaction keeps every other writer waiting.
    let_go(session)
    found = compute.run(plan_sparing, request, effort=EFFORT)
    request, plan = found.request, found.plan
    if roads is not None:
        data = as_planned(data, request, found.drives)
    if is_divided(data) and plan.vehicles and not any(len(one.compartments) > 1 for one in plan.vehicles):
        data = without_division(data)
    row = _note(session, now, caller, ship_on, data, plan, [*plan.reasons, *notes])
    if plan.vehicles:
        _require_legal(request, plan)
        _put_down(session, row, plan, wanted.cargo, _vehicle_ids(request, plan, offered))
        for trip in queries.trips_of(session, row.id):
            reckon_cold(session, now, trip)
    return row


def _empties(cargo: Sequence[Cargo], empties: Sequence[Mapping[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Return what is announced, customer by customer."""
    customers = {unit.order_id: unit.customer for unit in cargo}
    found: dict[str, list[dict[str, Any]]] = {}
    for k, one in enumerate(empties):
        if one["order_id"] not in customers:
            raise unknown(
                f"empties[{k}].order_id",
                say("Nothing of order {one} is in this plan.", one=one["order_id"]),
                say("Name an order that is delivered, or fetch these empties on another trip."),
            )
        said = {name: one[name] for name in ("pieces", "mass_kg", "places")}
        found.setdefault(customers[one["order_id"]], []).append({"kind": str(one["kind"]), **said})
    return found


def _wanted(session: Session, caller: Caller, ship_on: date, drops: Sequence[int] | None) -> _Wanted:
    if drops is None:
        ids = order_queries.order_ids_on(session, caller.site_id, ship_on, list(OrderState))
        orders = order_queries.orders_by_id(session, caller.site_id, ids)
        chosen = [orders[one] for one in ids if orders[one].state in queries.LOADABLE]
    else:
        chosen = loadable_orders(session, caller, ship_on, drops)
    ids = [order.id for order in chosen]
    bound = queries.bound_units(session, caller.site_id, ids)
    units: dict[int, list[int]] = {order_id: [] for order_id in ids}
    waiting = set()
    for order_id, unit_id, is_ready in queries.order_units(session, caller.site_id, ids):
        if not is_ready:
            waiting.add(order_id)
        elif unit_id not in bound:
            units[order_id].append(unit_id)
    pairs, notes = [], []
    for order in chosen:
        refusal = None
        if order.id in waiting:
            refusal = say(
                "Order {code} is not in this plan: some of its cases are still to be picked.",
                code=order.code,
                about=About.ORDERS,
            )
        elif not units[order.id]:
            refusal = say(
                "Order {code} is not in this plan: it has no unit that is not planned already.",
                about=About.ORDERS,
                code=order.code,
            )
        else:
            pairs += [(order.id, unit_id) for unit_id in units[order.id]]
        if refusal and drops is not None:
            raise Refused("order-not-ready", refusal, data={"order_id": order.id})
        notes += [refusal] if refusal else []
    if drops is None:
        unready = [order.code for order in orders.values() if order.state == OrderState.OPEN]
        notes += [
            say("Order {code} is not in this plan: it is not allocated.", code=code, about=About.ORDERS)
            for code in sorted(unready)
        ]
    cargo = queries.cargo(session, caller.site_id, pairs)
    if not cargo:
        raise Refused(
            "nothing-to-load",
            say(
                "No unit of an order that ships on {ship_on} is ready to be loaded.",
                ship_on=ship_on.isoformat(),
            ),
            data={"notes": notes},
        )
    if len(cargo) > MOST_UNITS:
        raise Refused(
            "too-many-units",
            say(
                "{n} units are more than one plan takes ({MOST_UNITS}); name drops.",
                n=len(cargo),
                MOST_UNITS=MOST_UNITS,
            ),
        )
    return _Wanted(_by_drop(cargo), tuple(notes))


def _by_drop(cargo: Sequence[Cargo]) -> tuple[Cargo, ...]:
    seen = {unit.customer: k for k, unit in reversed(list(enumerate(cargo)))}
    return tuple(sorted(cargo, key=lambda unit: seen[unit.customer]))


def loadable_orders(
    session: Session, caller: Caller, ship_on: date, drops: Sequence[int]
) -> list[SalesOrder]:
    """Return orders of the day, each named once and fit to be loaded; raise for the first that is not."""
    orders = order_queries.orders_by_id(session, caller.site_id, drops)
    chosen = []
    for k, order_id in enumerate(drops):
        where = f"drops[{k}]"
        order = orders.get(order_id)
        if order is None:
            raise unknown(
                where,
                say("There is no order {order_id} at this site.", order_id=order_id),
                say("Give orders of the day."),
            )
        if order_id in drops[:k]:
            raise unknown(
                where, say("Order {code} stands twice.", code=order.code), say("Give each order once.")
            )
        if order.ship_on != ship_on:
            raise unknown(
                where,
                say("Order {code} ships on {ship_on}.", code=order.code, ship_on=order.ship_on.isoformat()),
                say("Give orders of the day planned."),
            )
        if order.state not in queries.LOADABLE:
            raise Refused(
                "order-not-ready",
                say(
                    "Order {code} is {state}; it is loaded when its cases are picked.",
                    code=order.code,
                    state=order.state,
                ),
                data={"order_id": order.id, "state": str(order.state)},
            )
        chosen.append(order)
    return chosen


def _note(
    session: Session,
    now: datetime,
    caller: Caller,
    ship_on: date,
    data: dict[str, Any],
    plan: LoadPlan | None,
    reasons: list[str],
) -> LoadPlanRow:
    row = LoadPlanRow(
        site_id=caller.site_id,
        ship_on=ship_on,
        state=PlanState.DRAFT,
        status=plan.status if plan else "infeasible",
        lower_bound=plan.lower_bound if plan else 0,
        visits=plan.visits if plan else 0,
        request=data,
        reasons=reasons,
        made_at=now,
    )
    session.add(row)
    session.flush()
    facts = {
        "id": row.id,
        "ship_on": ship_on.isoformat(),
        "status": row.status,
        "units": len(data["pallets"]),
    }
    record(session, caller.site_id, Event("plan.made", now, actor_id=caller.id, data=facts))
    return row


def _require_legal(request: LoadRequest, plan: LoadPlan) -> None:
    found = check_plan(
        request,
        [[(place.pallet, place.row, place.lane) for place in one.placements] for one in plan.vehicles],
        plan.trucks,
        stowed=[one.stowed for one in plan.vehicles],
        turns=plan.turns or None,
        rooms=[
            [
                (room.first_row, room.last_row, room.setpoint_min_c, room.setpoint_max_c)
                for room in one.compartments
            ]
            for one in plan.vehicles
        ],
    )
    if found:
        # The checker shares no code with the planner; a plan it does not pass is never shown.
        raise RuntimeError(f"the planner's plan breaks a rule: {found[0].text}")


def _vehicle_ids(request: LoadRequest, plan: LoadPlan, offered: Sequence[list[int]]) -> list[int]:
    """Return which vehicle makes each trip; those of one truck are one and the same vehicle's."""
    numbers = [turn.vehicle for turn in plan.turns] or range(len(plan.vehicles))
    taken: dict[int, int] = {}
    for number, truck in zip(numbers, plan.trucks, strict=True):
        if number not in taken:
            taken[number] = offered[request.trucks[truck].kind].pop(0)
    return [taken[number] for number in numbers]


def _put_down(
    session: Session,
    row: LoadPlanRow,
    plan: LoadPlan,
    cargo: Sequence[Cargo],
    vehicle_ids: Sequence[int],
) -> None:
    by_sscc = {unit.sscc: unit for unit in cargo}
    trip_numbers = [turn.trip for turn in plan.turns] or [1] * len(plan.vehicles)
    for one, vehicle_id, trip_no in zip(plan.vehicles, vehicle_ids, trip_numbers, strict=True):
        trip = Trip(
            site_id=row.site_id,
            plan_id=row.id,
            vehicle_id=vehicle_id,
            trip_no=trip_no,
            truck_no=one.truck,
            setpoint_min_c=one.setpoint_min_c,
            setpoint_max_c=one.setpoint_max_c,
            axle_table=axle_table(one),
        )
        session.add(trip)
        session.flush()
        drop_of = {stop: drop for drop, stop in enumerate(one.stops, 1)}
        session.add_all(
            DeckPlace(
                site_id=row.site_id,
                trip_id=trip.id,
                unit_id=by_sscc[place.pallet].unit_id,
                order_id=by_sscc[place.pallet].order_id,
                row_no=place.row,
                lane_no=place.lane,
                part_no=part,
                tier_no=place.tier,
                drop_no=drop_of[by_sscc[place.pallet].customer],
                mass_kg=by_sscc[place.pallet].mass_kg,
            )
            for place, part in zip(one.placements, part_numbers(one.placements), strict=True)
        )
    session.flush()
