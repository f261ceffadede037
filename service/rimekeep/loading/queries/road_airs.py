"""A trip's airs, one or several: what the road makes of them, and what would do where it is too much."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.errors import Invalid
from rimekeep.loading.core.aboard import Load
from rimekeep.loading.core.divided import division_of
from rimekeep.loading.core.division import Division
from rimekeep.loading.core.fit_out import missing_data
from rimekeep.loading.core.plan import Compartment, middle_c
from rimekeep.loading.core.reefer import Body, read_body
from rimekeep.loading.core.road import precool_s
from rimekeep.loading.core.road_divided import precool_divided_s
from rimekeep.loading.core.road_facts import RoadFacts
from rimekeep.loading.core.road_help import EARLIER_H, Asked, Remedy, remedies, short_w
from rimekeep.loading.core.road_told import Judged
from rimekeep.loading.core.vehicle import Truck
from rimekeep.loading.queries.vehicles import active_vehicles, busy_vehicles, vehicle
from rimekeep.loading.tables import Trip


def judged_airs(
    session: Session,
    now: datetime,
    trip: Trip,
    facts: RoadFacts,
    loads: tuple[Load, ...],
    truck: Truck | None,
    rooms: Sequence[Compartment],
) -> tuple[Judged, ...]:
    """Return what the road makes of each compartment's air, front first; of one air without ``rooms``."""
    data = vehicle(session, trip.site_id, trip.vehicle_id).truck
    lacks = _lacks(data, rooms)
    body: Body | None = None
    if not lacks:
        try:
            body = read_body(data["cold"], body_j_m2k=facts.body_j_m2k)
        except Invalid as error:
            lacks = tuple(fault.field for fault in error.faults)
    low_c, high_c = trip.setpoint_min_c, trip.setpoint_max_c
    held_c = middle_c(low_c, high_c)
    if body is None:
        if not rooms:
            return (Judged(held_c, low_c, high_c, lacks),)
        return tuple(
            Judged(room.setpoint_c, room.setpoint_min_c, room.setpoint_max_c, lacks, room=room)
            for room in rooms
        )
    division = division_of(truck, rooms, data["cold"]) if truck is not None else None
    asked = Asked(body, facts.road, loads, held_c, low_c, high_c, facts.start_air_c, division)
    colds = asked.answers()
    empty = _precool(body, division, facts, held_c)
    missing_w: float | None = None
    ways: tuple[Remedy, ...] = ()
    if any(cold.is_too_warm for cold in colds):
        earlier = int(min(max(0.0, (facts.departs_at - now).total_seconds() // 3600), EARLIER_H[-1]))
        # Another vehicle would be divided otherwise: that is for a new plan to find.
        others = _others(session, trip, facts) if division is None else {}
        ways = remedies(asked, others=others, most_hours_earlier=earlier)
        missing_w = short_w(asked)
    return tuple(
        Judged(
            cold.setpoint_c,
            cold.low_c,
            cold.high_c,
            (),
            empty[k],
            missing_w if cold.is_too_warm else None,
            ways if cold.is_too_warm else (),
            cold,
            rooms[k] if rooms else None,
        )
        for k, cold in enumerate(colds)
    )


def _lacks(data: Mapping[str, Any], rooms: Sequence[Compartment]) -> tuple[str, ...]:
    """Return what the balance lacks of a vehicle's data."""
    missing = missing_data(data)
    if not rooms:
        return tuple(missing.get("cold", ()))
    found = missing.get("compartments", ())
    if not found and len((data.get("cold") or {}).get("evaporators", ())) < len(rooms):
        return ("cold.evaporators",)
    return tuple(found)


def _precool(
    body: Body, division: Division | None, facts: RoadFacts, setpoint_c: float
) -> tuple[float | None, ...]:
    outside_c = facts.road.outside_c(0.0)
    if division is None:
        return (precool_s(body, start_c=facts.body_start_c, setpoint_c=setpoint_c, outside_c=outside_c),)
    return precool_divided_s(body, division, start_c=facts.body_start_c, outside_c=outside_c)


def _others(session: Session, trip: Trip, facts: RoadFacts) -> dict[str, Body]:
    """Return the bodies of the other vehicles that are free; whether the load fits one is not looked at."""
    busy = busy_vehicles(session, trip.site_id)
    found = {}
    for other in active_vehicles(session, trip.site_id):
        if other.id == trip.vehicle_id or other.id in busy or "cold" in missing_data(other.truck):
            continue
        try:
            found[other.code] = read_body(other.truck["cold"], body_j_m2k=facts.body_j_m2k)
        except Invalid:
            # Data that cannot be meant are told of when that vehicle is asked about.
            continue
    return found
