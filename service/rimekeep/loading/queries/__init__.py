"""Reads of vehicles, plans and trips, and of what is ready to be loaded."""

from rimekeep.loading.queries.cold import TripCold, trip_cold
from rimekeep.loading.queries.papers import trip_paper
from rimekeep.loading.queries.planning import is_any_waiting, planning_job, planning_jobs
from rimekeep.loading.queries.plans import (
    deck_place,
    deviations,
    loaded_elsewhere,
    plan,
    plans,
    rivals,
    trip,
    trip_of_unit,
    trips_of,
    unit_here,
)
from rimekeep.loading.queries.ready import bound_units, cargo, is_to_be_picked, order_units
from rimekeep.loading.queries.road import forecast_of, road_defaults, trip_forecast
from rimekeep.loading.queries.securing import trip_securing
from rimekeep.loading.queries.temperatures import (
    carry_range_c,
    load_temperature,
    load_temperatures,
    newest_temperatures,
)
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
    "TripCold",
    "active_vehicles",
    "all_vehicles",
    "bound_units",
    "busy_vehicles",
    "cargo",
    "carry_range_c",
    "deck_place",
    "deliveries",
    "deviations",
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
    "rivals",
    "road_defaults",
    "trip",
    "trip_cold",
    "trip_forecast",
    "trip_of_unit",
    "trip_paper",
    "trip_securing",
    "trip_view",
    "trip_views",
    "trips_of",
    "unit_here",
    "vehicle",
    "vehicles",
]
