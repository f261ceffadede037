"""What a trip's papers are made of."""

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.loading.core.callers import other_calls
from rimekeep.loading.core.day_roads import site_clock
from rimekeep.loading.core.gear import Gear
from rimekeep.loading.core.papers import Head, LoadingPaper
from rimekeep.loading.core.records import TripView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sheet import loading_paper
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.queries.plans import plan as plan_row
from rimekeep.loading.queries.plans import trip as trip_row
from rimekeep.loading.queries.refusals import trip_rest
from rimekeep.loading.queries.securing import load_held
from rimekeep.loading.queries.turns import as_planned
from rimekeep.loading.queries.views import sheet_lines, trip_views
from rimekeep.loading.tables import Trip


def trip_paper(session: Session, now: datetime, site_id: int, trip_id: int) -> tuple[LoadingPaper, TripView]:
    """Return what is printed of a trip, and the trip as it is shown elsewhere."""
    row = trip_row(session, site_id, trip_id)
    plan = plan_row(session, site_id, row.plan_id)
    trips = trip_views(session, plan)
    trip = next(one for one in trips if one.id == trip_id)
    site = site_of(session, site_id)
    zone = ZoneInfo(site.time_zone)
    head = Head(
        site_code=site.code,
        site_name=site.name,
        plan_id=plan.id,
        trip_id=trip.id,
        ship_on=plan.ship_on,
        vehicle_code=trip.vehicle_code,
        vehicle_name=trip.vehicle_name,
        is_confirmed=plan.state in (PlanState.CONFIRMED, PlanState.DEPARTED),
        printed=f"{now.astimezone(zone):%Y-%m-%d %H:%M}",
        turn=trip.turn(zone, plan.ship_on),
    )
    request = load_request(plan.request)
    lanes = [one.lanes for one in request.trucks[row.truck_no].rows]
    loaded = replace(trip, places=tuple(as_planned(request, trip.places)))
    lines = sheet_lines(session, [place.unit_id for place in trip.places])
    road = trip_rest(session, site_id, trip_id).lines
    gear = Gear()
    law, held = load_held(session, row, request, trip.places, gear=gear)
    expected = _expected(row, trip, zone, plan.ship_on)
    others = other_calls(trip, trips)
    paper = loading_paper(
        head, loaded, lanes, lines, held, (law, gear), road, expected, request.stops, others
    )
    return paper, trip


def _expected(row: Trip, trip: TripView, zone: ZoneInfo, ship_on: date) -> dict[int, str]:
    """
    Return when each drop is expected to be reached, by the site's clock; nothing where no drives are known.

    Once somebody said more of the road, or the trip left, its forecast knows better than the plan.
    """
    if trip.drive is None:
        return {}
    if trip.cold is not None and (trip.departed_at or row.road.get("departs_at") or row.road.get("legs")):
        return {
            drop["drop"]: site_clock(datetime.fromisoformat(drop["arrives_at"]), zone, ship_on)
            for drop in trip.cold["drops"]
        }
    drops = {place.customer_code: place.drop for place in trip.places}
    return {drops[halt.customer_code]: halt.clock for halt in trip.drive.halts}
