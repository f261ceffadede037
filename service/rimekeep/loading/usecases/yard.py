"""Which vehicles a day may be planned on: free ones, build by build, and when each is out."""

from collections.abc import Mapping, Sequence
from datetime import time
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Fault, Invalid, Refused
from rimekeep.loading import queries
from rimekeep.loading.core.shift_form import SHIFT_FIELDS
from rimekeep.loading.tables import Vehicle
from rimekeep.wording import say

_DAY_S = 86_400


def unknown(where: str, detail: str, mend: str) -> Invalid:
    return Invalid("invalid-input", say("The input cannot be used as it is."), (Fault(where, detail, mend),))


def free_vehicles(session: Session, caller: Caller, vehicle_ids: Sequence[int] | None) -> list[Vehicle]:
    active = {vehicle.id: vehicle for vehicle in queries.active_vehicles(session, caller.site_id)}
    busy = queries.busy_vehicles(session, caller.site_id)
    if vehicle_ids is None:
        if not active:
            raise Refused("no-vehicle", say("No vehicle is registered. Register one with its axles first."))
        found = [vehicle for vehicle in active.values() if vehicle.id not in busy]
        if not found:
            raise Refused(
                "no-vehicle-free", say("Every vehicle is on a confirmed plan and has trips to make.")
            )
    else:
        found = []
        for k, vehicle_id in enumerate(vehicle_ids):
            where = f"vehicle_ids[{k}]"
            if vehicle_id not in active:
                raise unknown(
                    where,
                    say("There is no vehicle {vehicle_id} in use at this site.", vehicle_id=vehicle_id),
                    say("Give one of the fleet."),
                )
            if vehicle_id in vehicle_ids[:k]:
                raise unknown(
                    where,
                    say("Vehicle {vehicle_id} stands twice.", vehicle_id=vehicle_id),
                    say("Give each vehicle once."),
                )
            if vehicle_id in busy:
                raise Conflict(
                    "vehicle-busy",
                    say(
                        "Vehicle {code} has trips to make by load plan {busy}.",
                        code=active[vehicle_id].code,
                        busy=busy[vehicle_id],
                    ),
                    data={"vehicle_id": vehicle_id, "plan_id": busy[vehicle_id]},
                )
            found.append(active[vehicle_id])
    return found


def builds(
    vehicles: Sequence[Vehicle], shifts: Mapping[int, Mapping[str, Any]]
) -> list[tuple[dict[str, Any], list[Vehicle]]]:
    """Return trucks of one build and one shift, as a request describes them, each with its vehicles."""
    found: list[tuple[dict[str, Any], list[Vehicle]]] = []
    for vehicle in vehicles:
        truck = {**vehicle.truck, **shifts.get(vehicle.id, {})}
        same = next((own for known, own in found if known == truck), None)
        if same is None:
            found.append((truck, [vehicle]))
        else:
            same.append(vehicle)
    return found


def shifts_of(
    vehicles: Sequence[Vehicle], asked: Sequence[Mapping[str, Any]], *, has_roads: bool
) -> dict[int, dict[str, Any]]:
    """Return when each vehicle is out, in a request's words; an entry without a vehicle is for all others."""
    known = {vehicle.id for vehicle in vehicles}
    named: dict[int | None, dict[str, Any]] = {}
    for k, one in enumerate(asked):
        vehicle_id = one["vehicle_id"]
        if vehicle_id is not None and vehicle_id not in known:
            raise unknown(
                f"shifts[{k}].vehicle_id",
                say("Vehicle {vehicle_id} is not planned with.", vehicle_id=vehicle_id),
                say("Give one that is."),
            )
        if vehicle_id in named:
            raise unknown(
                f"shifts[{k}].vehicle_id", say("This shift stands twice."), say("Give each vehicle one.")
            )
        if has_roads == (one["trip_s"] is not None):
            fact = (
                say("How long trips take is reckoned from 'roads'.")
                if has_roads
                else say("How long a trip takes is not known: there are no 'roads'.")
            )
            raise unknown(f"shifts[{k}].trip_s", fact, say("Give one of 'trip_s' and 'roads'."))
        starts_s, ends_s = (_second(one[key]) for key in ("starts_at_time", "ends_at_time"))
        named[vehicle_id] = {
            "trips": one["trips"],
            "shift_starts_s": starts_s,
            "shift_ends_s": ends_s + (_DAY_S if ends_s <= starts_s else 0),
            "turn_round_s": one["turn_round_s"],
            **({} if has_roads else {"trip_s": one["trip_s"]}),
        }
    everyone = named.get(None)
    return {vehicle.id: said for vehicle in vehicles if (said := named.get(vehicle.id, everyone)) is not None}


def _second(clock: str) -> int:
    found = time.fromisoformat(clock)
    return found.hour * 3600 + found.minute * 60


def trucks_of(data: Mapping[str, Any]) -> list[tuple[dict[str, Any], int]]:
    """Return the trucks of a day's request as they were given, each with how many of it were free."""
    given = data["trucks"] if "trucks" in data else [data["truck"]]
    own = ("available", "airs", *SHIFT_FIELDS)
    return [({key: truck[key] for key in truck if key not in own}, truck["available"]) for truck in given]


def is_of_build(data: Mapping[str, Any], vehicle: Vehicle, truck: Mapping[str, Any]) -> bool:
    """Tell whether a vehicle, as its data are now, is one of a day's trucks as it was given."""
    return {"name": data["name"], **vehicle.truck} == truck
