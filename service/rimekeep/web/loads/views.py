"""What the dispatcher's pages show."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.loading import queries
from rimekeep.loading.core.callers import other_calls
from rimekeep.loading.core.cautions import cautions
from rimekeep.loading.core.gear import EDITIONS, Gear, Walls
from rimekeep.loading.core.records import PlaceView, TripView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sheet import delivery_notes
from rimekeep.loading.core.states import Empty, JobState, PlanState
from rimekeep.loading.core.vehicle import LoadRequest, Row
from rimekeep.stock import queries as stock
from rimekeep.web.loads.drawing import from_above, from_side, look_of, weight_states
from rimekeep.web.loads.leads import lead_of, lead_out_of

# What the form for a plan proposes where no plan said otherwise; own convention, no source.
_LEAVES_S, _SPEED_KMH = 6 * 3600, 50.0
_DISPATCHERS = {Role.DISPATCHER, Role.LEAD, Role.ADMIN}
_LOADERS = {*_DISPATCHERS, Role.PICKER}
_MEASURERS = {*_LOADERS, Role.QA}


def may(caller: Caller) -> dict[str, bool]:
    """Return what the pages offer somebody; the service asks again."""
    return {
        "plan": bool(caller.roles & _DISPATCHERS),
        "load": bool(caller.roles & _LOADERS),
        "measure": bool(caller.roles & _MEASURERS),
        "judge": bool(caller.roles & {Role.QA, Role.ADMIN}),
    }


def day_view(session: Session, caller: Caller, now: datetime, on: date | None) -> dict[str, Any]:
    """Return a day's loads: plans, planning that runs, vehicles to choose from."""
    site = site_of(session, caller.site_id)
    zone = ZoneInfo(site.time_zone)
    today = now.astimezone(zone).date()
    shown = on or today
    jobs = queries.day_jobs(session, caller.site_id, shown)
    busy = queries.busy_vehicles(session, caller.site_id)
    plans = queries.day_plans(session, caller.site_id, shown)
    amended = [plan.id for plan in plans if _is_amended(plan)] if may(caller)["plan"] else []
    return {
        "site": site,
        "zone": zone,
        "today": today,
        "day": shown,
        "before": shown - timedelta(days=1) if shown > date.min else shown,
        "after": shown + timedelta(days=1) if shown < date.max else shown,
        "plans": plans,
        "roads": _roads(queries.newest_request(session, caller.site_id)),
        "amended": amended,
        "waiting": queries.waiting_orders(session, caller.site_id, shown) if amended else [],
        "most_plans": queries.MOST_PLANS,
        "jobs": [job for job in jobs if job.state in (JobState.WAITING, JobState.RUNNING)],
        "failed": next(
            (job for job in jobs[:1] if job.state in (JobState.FAILED, JobState.INTERRUPTED)), None
        ),
        "vehicles": [(one, one.id in busy) for one in queries.active_vehicles(session, caller.site_id)],
        "lead_of": lead_of,
        "lead_out_of": lead_out_of,
        "cautions": cautions("dock"),
        "may": may(caller),
    }


def _roads(request: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the newest plan took of the roads, as the form for the next one shows it."""
    depot, roads = request.get("depot", {}), request.get("roads", {})
    leaves_s = int(depot.get("leaves_s", _LEAVES_S))
    return {
        "latitude": depot.get("latitude_deg", ""),
        "longitude": depot.get("longitude_deg", ""),
        "leaves": f"{leaves_s // 3600 % 24:02d}:{leaves_s // 60 % 60:02d}",
        "speed_kmh": f"{roads.get('speed_kmh', _SPEED_KMH):g}",
    }


def _is_amended(plan: queries.DayPlan) -> bool:
    """Tell whether a plan takes what has become ready since."""
    is_open = plan.state in (PlanState.DRAFT, PlanState.CONFIRMED)
    return is_open and any(trip.departed_at is None for trip in plan.trips)


def trip_page(session: Session, caller: Caller, trip_id: int) -> dict[str, Any]:
    """Return one trip: its deck, its weights in every state, its cold, how it is held."""
    row = queries.trip(session, caller.site_id, trip_id)
    plan = queries.plan(session, caller.site_id, row.plan_id)
    views = queries.trip_views(session, plan)
    trip = next(view for view in views if view.id == trip_id)
    request = load_request(plan.request)
    rows_of = {one.id: request.trucks[one.truck_no].rows for one in queries.trips_of(session, plan.id)}
    vehicle = queries.vehicle(session, caller.site_id, row.vehicle_id)
    law, held = queries.load_held(session, row, request, trip.places, gear=Gear(), walls=Walls.CODE_L)
    is_open = plan.state in (PlanState.DRAFT, PlanState.CONFIRMED) and trip.departed_at is None
    due = {spot.sscc for spot in queries.next_spots(session, trip_id)} if is_open else set()
    delivered = {one.drop: one for one in trip.deliveries}
    drops = _drops(trip)
    site = site_of(session, caller.site_id)
    return {
        "site": site,
        "zone": ZoneInfo(site.time_zone),
        "plan": plan,
        "trip": trip,
        "vehicle": vehicle,
        "is_open": is_open,
        "may": may(caller),
        "above": from_above(
            rows_of[trip_id], trip.places, due, [room.last_row for room in trip.compartments[:-1]]
        ),
        "side": from_side(rows_of[trip_id], trip.places, _heights_mm(request), vehicle.truck),
        "drops": drops,
        "targets": [
            (view, _targets(rows_of[view.id], view, request)) for view in views if view.departed_at is None
        ],
        "has_stacks": any(place.tier for place in trip.places),
        "has_left": any(view.departed_at is not None for view in views),
        "states": weight_states(trip.axle_table),
        "cold": trip.cold,
        "moment": datetime.fromisoformat,
        "held": held,
        "edition": EDITIONS[law].text,
        "look_of": look_of,
        "delivered": delivered,
        "next_drop": next((drop for drop in drops if drop["number"] not in delivered), None),
        "empties": _empties(queries.empties(session, [trip_id])),
        "empties_kinds": [kind.value for kind in Empty],
        "outside": _outside(session, trip),
        "announced": {
            note.drop: note.empties_words
            for note in delivery_notes(trip.places, (), {}, request.stops, other_calls(trip, views))
        },
        "corrections": queries.empties_corrections(session, trip_id),
        "rest": queries.trip_rest(session, caller.site_id, trip_id) if trip.departed_at else None,
        "rooms": stock.rooms(session, caller.site_id),
        "cautions": {
            name: cautions(name) for name in ("loading", "depart", "deliver", "securing", "bulkheads")
        },
    }


def door_page(session: Session, caller: Caller, trip_id: int) -> dict[str, Any]:
    """Return what somebody at the dock door needs: what comes next, and how far the trip is."""
    row = queries.trip(session, caller.site_id, trip_id)
    plan = queries.plan(session, caller.site_id, row.plan_id)
    places = queries.places(session, [trip_id])
    site = site_of(session, caller.site_id)
    return {
        "site": site,
        "zone": ZoneInfo(site.time_zone),
        "plan": plan,
        "trip": row,
        "vehicle": queries.vehicle(session, caller.site_id, row.vehicle_id),
        "next": queries.next_spots(session, trip_id),
        "customers": {place.drop: place.customer_name for place in places},
        "units": len(places),
        "loaded": sum(place.loaded_at is not None for place in places),
        "may": may(caller),
        "look_of": look_of,
        "rooms": stock.rooms(session, caller.site_id),
        "cautions": cautions("loading"),
    }


def _outside(session: Session, trip: TripView) -> list[tuple[str, Any]]:
    """Return the units that may not go on board as they were measured last, with what was measured."""
    waiting = {place.unit_id: place.sscc for place in trip.places if place.loaded_at is None}
    measured = queries.newest_temperatures(session, trip.id)
    return [
        (waiting[unit_id], one)
        for unit_id, one in sorted(measured.items())
        if unit_id in waiting and not one.may_load
    ]


def _drops(trip: TripView) -> list[dict[str, Any]]:
    """Return a trip's drops in the order they are delivered, each with its units."""
    found: dict[int, list[PlaceView]] = {}
    for place in trip.places:
        found.setdefault(place.drop, []).append(place)
    return [
        {
            "number": number,
            "customer": here[0].customer_name,
            "code": here[0].customer_code,
            "units": here,
            "mass_kg": sum(place.mass_kg for place in here),
        }
        for number, here in sorted(found.items())
    ]


def _empties(reported: Sequence[queries.EmptiesView]) -> dict[int, dict[str, dict[str, Any]]]:
    """Return what was taken back, drop by drop and kind by kind, as the fields of a form show it."""
    found: dict[int, dict[str, list[queries.EmptiesView]]] = {}
    for one in reported:
        found.setdefault(one.drop, {}).setdefault(one.kind, []).append(one)
    return {drop: {kind: _fields(own) for kind, own in kinds.items()} for drop, kinds in found.items()}


def _fields(reported: Sequence[queries.EmptiesView]) -> dict[str, Any]:
    masses = [one.mass_kg for one in reported if one.mass_kg is not None]
    places = [one.places for one in reported if one.places is not None]
    return {
        "pieces": sum(one.pieces for one in reported),
        "mass_kg": sum(masses),
        # Of some of them nobody said it: then it is not said of all.
        "mass": f"{sum(masses):.10g}" if len(masses) == len(reported) else "",
        "places": sum(places) if len(places) == len(reported) else "",
    }


def _targets(
    rows: tuple[Row, ...], trip: TripView, request: LoadRequest
) -> list[tuple[int, int, list[PlaceView], bool]]:
    """Return every place of a deck, what stands on it, and whether a unit more could go on top of that."""
    bearing = {pallet.id for pallet in request.pallets if pallet.top_max_kg}
    standing: dict[tuple[int, int], list[PlaceView]] = {}
    for place in trip.places:
        if place.off_at is None:
            standing.setdefault((place.row, place.lane), []).append(place)
    return [
        (number, lane, here, len(here) == 1 and here[0].sscc in bearing)
        for number, row in enumerate(rows)
        for lane in range(row.lanes)
        for here in (standing.get((number, lane), []),)
    ]


def _heights_mm(request: LoadRequest) -> Mapping[str, float]:
    return {pallet.id: pallet.height_mm for pallet in request.pallets}
