"""Vehicles, plans, loading by scan, departure; each function is one act in the caller's transaction."""

from rimekeep.loading.usecases.amend import Amended, amend_plan
from rimekeep.loading.usecases.confirm import confirm_plan, drop_plan
from rimekeep.loading.usecases.customer_returns import return_goods
from rimekeep.loading.usecases.deliver import deliver_drop, end_trip
from rimekeep.loading.usecases.depart import depart
from rimekeep.loading.usecases.empties import Empties, correct_empties
from rimekeep.loading.usecases.give_up import give_up_trip
from rimekeep.loading.usecases.import_vehicles import VEHICLE_COLUMNS, import_vehicles
from rimekeep.loading.usecases.judged import judge_places
from rimekeep.loading.usecases.load import load_unit, unload_unit
from rimekeep.loading.usecases.moves import move_on_deck, pin_units
from rimekeep.loading.usecases.plan import plan_day
from rimekeep.loading.usecases.planning import (
    Taken,
    ask_for_plan,
    fail_job,
    give_up,
    note_interrupted,
    note_progress,
    plan_job,
    stop_planning,
    take_job,
)
from rimekeep.loading.usecases.refusals import Refusal
from rimekeep.loading.usecases.returned import set_return_rule
from rimekeep.loading.usecases.road import plan_road, set_road_defaults
from rimekeep.loading.usecases.temperatures import (
    accept_load_temperature,
    note_load_temperature,
    require_cold,
)
from rimekeep.loading.usecases.vehicles import change_vehicle, deactivate_vehicle, register_vehicle

__all__ = [
    "VEHICLE_COLUMNS",
    "Amended",
    "Empties",
    "Refusal",
    "Taken",
    "accept_load_temperature",
    "amend_plan",
    "ask_for_plan",
    "change_vehicle",
    "confirm_plan",
    "correct_empties",
    "deactivate_vehicle",
    "deliver_drop",
    "depart",
    "drop_plan",
    "end_trip",
    "fail_job",
    "give_up",
    "give_up_trip",
    "import_vehicles",
    "judge_places",
    "load_unit",
    "move_on_deck",
    "note_interrupted",
    "note_load_temperature",
    "note_progress",
    "pin_units",
    "plan_day",
    "plan_job",
    "plan_road",
    "register_vehicle",
    "require_cold",
    "return_goods",
    "set_return_rule",
    "set_road_defaults",
    "stop_planning",
    "take_job",
    "unload_unit",
]
