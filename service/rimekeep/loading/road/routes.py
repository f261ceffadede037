"""Endpoints of a trip's cold and of how its load is held."""

from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import Query

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import DispatcherDep, QaDep, ReaderDep, admits
from rimekeep.loading import queries, schemas, usecases
from rimekeep.loading.core.cautions import cautions
from rimekeep.loading.core.friction import SOURCE as FRICTION_SOURCE
from rimekeep.loading.core.friction import friction_between, friction_factor
from rimekeep.loading.core.gear import EDITIONS, Gear
from rimekeep.loading.core.road_facts import defaults
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "loading")

# A thermometer is in QA's hands as well.
MeasurerDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD, Role.DISPATCHER, Role.QA)]


@routes.get("/trips/{trip_id}/temperature")
def show_cold(
    trip_id: Id,
    session: SessionDep,
    now: Now,
    caller: ReaderDep,
    step_s: Annotated[int, Query(ge=60, le=86_400, description="Length of a step. [s]")] = 600,
) -> schemas.TripColdOut:
    """Show the cold of a trip, as proof for the customer: air, core at delivery, life used on the way."""
    return _cold_out(queries.trip_cold(session, now, caller.site_id, trip_id, step_s=step_s))


@routes.post("/trips/{trip_id}/load-temperatures", status_code=201)
def note_load_temperature(
    trip_id: Id, body: schemas.TemperatureIn, session: SessionDep, now: Now, caller: MeasurerDep
) -> schemas.TemperatureOut:
    """Keep a unit's temperature taken at loading, and tell whether the unit may go on board by it."""
    made = usecases.note_load_temperature(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.TemperatureOut.model_validate(made)


@routes.get("/trips/{trip_id}/load-temperatures")
def list_load_temperatures(
    trip_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.TemperatureOut]:
    """List what was measured at loading, first taken first."""
    queries.trip(session, caller.site_id, trip_id)
    return asked.show(session, queries.load_temperatures(caller.site_id, trip_id), schemas.TemperatureOut)


@routes.post("/trips/{trip_id}/load-temperatures/{temperature_id}/accept")
def accept_load_temperature(
    trip_id: Id, temperature_id: Id, body: schemas.AcceptIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.TemperatureOut:
    """Let a unit go on board that was measured outside its range, for a reason on record."""
    found = usecases.accept_load_temperature(
        session, now, caller, trip_id=trip_id, temperature_id=temperature_id, reason=body.reason
    )
    return schemas.TemperatureOut.model_validate(found)


@routes.get("/trips/{trip_id}/securing")
def show_securing(
    trip_id: Id, session: SessionDep, caller: ReaderDep, asked: Annotated[schemas.SecuringIn, Query()]
) -> schemas.SecuringOut:
    """Show how each row of the load is held, at departure and after every drop, and what it needs."""
    gear = Gear(
        friction=asked.friction or friction_factor(asked.pallet, asked.floor, asked.condition),
        friction_between=asked.friction_between or friction_between(asked.condition),
        **asked.model_dump(include={"angle_deg", "tension_dan", "bar_dan", "working_load_lb"}),
    )
    law, states = queries.trip_securing(
        session, caller.site_id, trip_id, law=asked.law, gear=gear, walls=asked.walls
    )
    return schemas.SecuringOut.model_validate(
        {
            "law": law,
            "edition": EDITIONS[law].text,
            "friction": gear.friction,
            "friction_between": gear.friction_between,
            "friction_source": "as given" if asked.friction else FRICTION_SOURCE,
            "states": states,
            "cautions": cautions("securing"),
        }
    )


@routes.get("/road-defaults")
def show_road_defaults(session: SessionDep, caller: ReaderDep) -> schemas.RoadDefaultsOut:
    """Show what trips take of the road where nobody said otherwise."""
    return _defaults_out(queries.road_defaults(session, caller.site_id))


@routes.post("/road-defaults")
def set_road_defaults(
    body: schemas.RoadDefaultsIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.RoadDefaultsOut:
    """Say what trips take of the road where nobody says otherwise."""
    return _defaults_out(usecases.set_road_defaults(session, now, caller, body.model_dump()))


@routes.post("/trips/{trip_id}/road")
def plan_road(
    trip_id: Id, body: schemas.RoadIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.TripForecastOut:
    """Say what is known of a trip's road: departure, legs, stops, weather; the answer is the forecast."""
    road = body.model_dump(mode="json")
    return _forecast_out(usecases.plan_road(session, now, caller, trip_id=trip_id, road=road))


@routes.get("/trips/{trip_id}/forecast")
def show_forecast(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> schemas.TripForecastOut:
    """Show what the road ahead does to a trip's cold; of a trip that left, what was reckoned last."""
    return _forecast_out(queries.forecast_of(session, now, queries.trip(session, caller.site_id, trip_id)))


def _defaults_out(facts: dict[str, Any]) -> schemas.RoadDefaultsOut:
    return schemas.RoadDefaultsOut.model_validate({"values": [asdict(one) for one in defaults(facts)]})


def _forecast_out(told: dict[str, Any]) -> schemas.TripForecastOut:
    return schemas.TripForecastOut.model_validate(told | {"cautions": list(cautions("cold"))})


def _cold_out(found: queries.TripCold) -> schemas.TripColdOut:
    def at(value: float | None) -> datetime | None:
        return None if value is None else datetime.fromtimestamp(value, UTC)

    figures, air = found.figures, found.figures.air
    return schemas.TripColdOut(
        trip_id=found.trip.id,
        vehicle_code=found.vehicle.code,
        zone_id=found.zone.id,
        from_at=found.from_at,
        departed_at=found.trip.departed_at,
        until_at=found.until_at,
        is_over=found.is_over,
        planned_c=found.zone.planned_c,
        step_s=found.step_s,
        sensors=list(found.sensors),
        is_assumed=found.history.is_assumed,
        thinned_until=found.history.thinned_until,
        bridged=[
            schemas.StretchOut(
                from_at=datetime.fromtimestamp(start, UTC), until_at=datetime.fromtimestamp(end, UTC)
            )
            for start, end in found.history.bridged_s
        ],
        steps=[
            schemas.AirStepOut(
                at=datetime.fromtimestamp(at_s, UTC),
                min_c=round(low, 3),
                mean_c=round(mean, 3),
                max_c=round(high, 3),
                bridged_s=round(bridged),
                thinned_s=round(thinned),
            )
            for at_s, low, mean, high, bridged, thinned in found.history.steps.rows()
        ],
        figures=schemas.CarryOut(
            carry_min_c=found.trip.setpoint_min_c,
            carry_max_c=found.trip.setpoint_max_c,
            readings=air.readings,
            min_c=air.min_c,
            min_at=at(air.min_at_s),
            max_c=air.max_c,
            max_at=at(air.max_at_s),
            mean_kinetic_temperature_c=air.kinetic_mean_c,
            outside_s=figures.outside_s,
            above_s=figures.above_s,
            below_s=figures.below_s,
            longest_above_s=figures.longest_above_s,
            longest_below_s=figures.longest_below_s,
            bridged_s=air.bridged_s,
        ),
        excursions=[schemas.TripExcursionOut.model_validate(one) for one in found.excursions],
        drops=[schemas.DropColdOut.model_validate(one) for one in found.drops],
        cautions=list(cautions("cold")),
    )
