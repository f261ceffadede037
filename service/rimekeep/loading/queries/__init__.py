"""Reads of vehicles, plans and trips, and of what is ready to be loaded."""

from rimekeep.loading.queries.cold import TripCold, trip_cold
from rimekeep.loading.queries.papers import trip_paper
from rimekeep.loading.queries.planning import is_any_waiting, planning_job, planning_jobs
from rimekeep.loading.queries.plans import (
    cases_on,
    deck_place,
    deck_places,
    deviations,
    loaded_elsewhere,
    plan,
    plans,
    rivals,
    site_of_trip,
    trip,
    trip_of_unit,
    trips_of,
    unit_here,
)
from rimekeep.loading.queries.ready import bound_units, cargo, drop_places, is_to_be_picked, order_units
from rimekeep.loading.queries.refusals import (
    MIN_LIFE_DAYS,
    MOST_UNMEASURED_S,
    empties,
    refusals,
    return_rule,
    trip_rest,
)
from rimekeep.loading.queries.road import forecast_of, road_defaults, trip_forecast
from rimekeep.loading.queries.securing import trip_securing
from rimekeep.loading.queries.temperatures import (
    carry_range_c,
    load_temperature,
    load_temperatures,
    newest_temperatures,
)
from rimekeep.loading.queries.turns import clock_at, turns
from rimekeep.loading.queries.vehicles import (
    active_vehicles,
    all_vehicles,
    busy_vehicles,
    is_vehicle_code,
    vehicle,
    vehicles,
)
from rimekeep.loading.queries.views import (
    deliveries,
    newest_dates,
    next_spots,
    placed,
    places,
    plan_view,
    trip_view,
    trip_views,
)

__all__ = [
    "MIN_LIFE_DAYS",
    "MOST_UNMEASURED_S",
    "TripCold",
    "active_vehicles",
    "all_vehicles",
    "bound_units",
    "busy_vehicles",
    "cargo",
    "carry_range_c",
    "cases_on",
    "clock_at",
    "deck_place",
    "deck_places",
    "deliveries",
    "deviations",
    "drop_places",
    "empties",
    "forecast_of",
    "is_any_waiting",
    "is_to_be_picked",
    "is_vehicle_code",
    "load_temperature",
    "load_temperatures",
    "loaded_elsewhere",
    "newest_dates",
    "newest_temperatures",
    "next_spots",
    "order_units",
    "placed",
    "places",
    "plan",
    "plan_view",
    "planning_job",
    "planning_jobs",
    "plans",
    "refusals",
    "return_rule",
    "rivals",
    "road_defaults",
    "site_of_trip",
    "trip",
    "trip_cold",
    "trip_forecast",
    "trip_of_unit",
    "trip_paper",
    "trip_rest",
    "trip_securing",
    "trip_view",
    "trip_views",
    "trips_of",
    "turns",
    "unit_here",
    "vehicle",
    "vehicles",
]
