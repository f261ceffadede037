"""Endpoints of vehicles, load plans and trips."""

from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import Header, Path, Query, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import DispatcherDep, QaDep, ReaderDep, admits
from rimekeep.loading import papers, queries, schemas, usecases
from rimekeep.loading.core.cautions import cautions
from rimekeep.loading.core.friction import SOURCE as FRICTION_SOURCE
from rimekeep.loading.core.friction import friction_factor
from rimekeep.loading.core.gear import EDITIONS, Gear
from rimekeep.loading.core.road_facts import defaults
from rimekeep.loading.core.sheet import sheet_text
from rimekeep.loading.core.states import JobState, PlanState
from rimekeep.orders.schemas import Day
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "loading")

# Who drives pallets onto the truck and off it: the floor, the driver with a handheld, and the dispatcher.
LoaderDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD, Role.DISPATCHER)]
# A thermometer is in QA's hands as well.
MeasurerDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD, Role.DISPATCHER, Role.QA)]


@routes.post("/vehicles", status_code=201)
def register_vehicle(
    body: schemas.VehicleIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.VehicleOut:
    """Register a vehicle with its axles and deck."""
    return schemas.VehicleOut.model_validate(
        usecases.register_vehicle(session, now, caller, **body.model_dump())
    )


@routes.get("/vehicles")
def list_vehicles(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.VehicleOut]:
    """List the fleet."""
    return asked.show(session, queries.vehicles(caller.site_id), schemas.VehicleOut)


@routes.get("/vehicles/{vehicle_id}")
def show_vehicle(vehicle_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.VehicleOut:
    """Show one vehicle."""
    return schemas.VehicleOut.model_validate(queries.vehicle(session, caller.site_id, vehicle_id))


@routes.post("/vehicles/{vehicle_id}/deactivate")
def deactivate_vehicle(
    vehicle_id: Id, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.VehicleOut:
    """Take a vehicle out of planning."""
    return schemas.VehicleOut.model_validate(usecases.deactivate_vehicle(session, now, caller, vehicle_id))


@routes.post(
    "/load-plans",
    status_code=201,
    responses={
        200: {"model": schemas.PlanOut, "description": "No way."},
        202: {"model": schemas.JobOut, "description": "Planned in the background; Location says where."},
    },
)
def plan_day(
    body: schemas.DayPlanIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    request: Request,
    response: Response,
    prefer: Annotated[
        str, Header(max_length=200, description="respond-async (RFC 7240): answer at once, plan later.")
    ] = "",
) -> schemas.PlanOut | schemas.JobOut:
    """
    Put a day's orders on vehicles: 201 with a draft, or 200 with the reasons why it cannot be done.

    With `Prefer: respond-async` 202 with a planning job, whose address is in Location.
    """
    if "respond-async" in (one.split(";")[0].strip().lower() for one in prefer.split(",")):
        asked = body.model_dump(mode="json")
        job = usecases.ask_for_plan(session, now, caller, ship_on=body.ship_on, asked=asked)
        response.status_code = 202
        response.headers["Location"] = f"/v1/planning-jobs/{job.id}"
        response.headers["Preference-Applied"] = "respond-async"
        return schemas.JobOut.model_validate(job)
    made = usecases.plan_day(session, now, caller, request.app.state.compute, **body.model_dump())
    if made.status == "infeasible":
        response.status_code = 200
    return schemas.PlanOut.model_validate(queries.plan_view(session, made))


@routes.get("/load-plans")
def list_plans(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    ship_on: Annotated[Day | None, Query(description="Only those for this day.")] = None,
    state: Annotated[PlanState | None, Query(description="Only those in this state.")] = None,
) -> Page[schemas.PlanSummaryOut]:
    """List plans, first made first."""
    return asked.show(
        session, queries.plans(caller.site_id, ship_on=ship_on, state=state), schemas.PlanSummaryOut
    )


@routes.get("/load-plans/{plan_id}")
def show_plan(plan_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.PlanOut:
    """Show a plan with decks, weights in every state and drawings."""
    found = queries.plan(session, caller.site_id, plan_id)
    return schemas.PlanOut.model_validate(queries.plan_view(session, found))


@routes.post("/load-plans/{plan_id}/confirm")
def confirm_plan(plan_id: Id, session: SessionDep, now: Now, caller: DispatcherDep) -> schemas.PlanOut:
    """Bind a draft's vehicles and units, after checking it again."""
    confirmed = usecases.confirm_plan(session, now, caller, plan_id)
    return schemas.PlanOut.model_validate(queries.plan_view(session, confirmed))


@routes.post("/load-plans/{plan_id}/drop")
def drop_plan(plan_id: Id, session: SessionDep, now: Now, caller: DispatcherDep) -> schemas.PlanSummaryOut:
    """Give a plan up that nothing is loaded by."""
    return schemas.PlanSummaryOut.model_validate(usecases.drop_plan(session, now, caller, plan_id))


@routes.get("/planning-jobs")
def list_jobs(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    ship_on: Annotated[Day | None, Query(description="Only those for this day.")] = None,
    state: Annotated[JobState | None, Query(description="Only those in this state.")] = None,
) -> Page[schemas.JobOut]:
    """List planning in the background, first asked for first."""
    found = queries.planning_jobs(caller.site_id, ship_on=ship_on, state=state)
    return asked.show(session, found, schemas.JobOut)


@routes.get("/planning-jobs/{job_id}")
def show_job(job_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.JobOut:
    """Show how far a planning job is, and where its plan is once it is done."""
    return schemas.JobOut.model_validate(queries.planning_job(session, caller.site_id, job_id))


@routes.post("/planning-jobs/{job_id}/stop")
def stop_planning(job_id: Id, session: SessionDep, now: Now, caller: DispatcherDep) -> schemas.JobOut:
    """End a job: one that waits at once, one that runs with the best plan it has found so far."""
    return schemas.JobOut.model_validate(usecases.stop_planning(session, now, caller, job_id))


@routes.get("/trips/{trip_id}")
def show_trip(trip_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.TripOut:
    """Show one trip with its deck."""
    _, found = queries.trip_view(session, caller.site_id, trip_id)
    return schemas.TripOut.model_validate(found)


@routes.get("/trips/{trip_id}/next")
def next_units(trip_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.NextOut:
    """Tell which units may be loaded next."""
    queries.trip(session, caller.site_id, trip_id)
    return schemas.NextOut.model_validate({"next": queries.next_spots(session, trip_id)})


@routes.post("/trips/{trip_id}/load")
def load_unit(
    trip_id: Id, body: schemas.LoadIn, session: SessionDep, now: Now, caller: LoaderDep
) -> schemas.NextOut:
    """Put a scanned unit on board, in the right order; the answer is what comes next."""
    due = usecases.load_unit(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.NextOut.model_validate({"next": due})


@routes.post("/trips/{trip_id}/unload")
def unload_unit(
    trip_id: Id, body: schemas.UnloadIn, session: SessionDep, now: Now, caller: LoaderDep
) -> schemas.NextOut:
    """Take a scanned unit off again, the last loaded first."""
    free = usecases.unload_unit(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.NextOut.model_validate({"next": free})


@routes.get("/trips/{trip_id}/deviations")
def list_deviations(
    trip_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.DeviationOut]:
    """List what was loaded otherwise than planned, by whose word, and why."""
    queries.trip(session, caller.site_id, trip_id)
    return asked.show(session, queries.deviations(caller.site_id, trip_id), schemas.DeviationOut)


@routes.post("/trips/{trip_id}/depart")
def depart(trip_id: Id, session: SessionDep, now: Now, caller: DispatcherDep) -> schemas.DepartedOut:
    """Let a fully loaded trip leave."""
    return schemas.DepartedOut.model_validate(usecases.depart(session, now, caller, trip_id=trip_id))


@routes.post("/trips/{trip_id}/drops/{number}/deliver", status_code=201)
def deliver_drop(
    trip_id: Id,
    number: Annotated[int, Path(ge=1, le=1000, description="1 is the trip's first delivery.")],
    body: schemas.DeliverIn,
    session: SessionDep,
    now: Now,
    caller: LoaderDep,
) -> schemas.DeliveryOut:
    """Note a drop as delivered: its units left the vehicle then, but for those refused."""
    said = body.model_dump() | {
        "refusals": [usecases.Refusal(**one.model_dump()) for one in body.refusals],
        "empties": [usecases.Empties(**one.model_dump()) for one in body.empties],
    }
    usecases.deliver_drop(session, now, caller, trip_id=trip_id, number=number, **said)
    made = queries.deliveries(session, [trip_id])[trip_id]
    return schemas.DeliveryOut.model_validate(next(one for one in made if one.drop == number))


@routes.get("/trips/{trip_id}/drops")
def show_drops(trip_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.DropsOut:
    """Show what was refused and taken back at the drops, and how the rest of the trip stands."""
    rest = queries.trip_rest(session, caller.site_id, trip_id)
    return schemas.DropsOut(
        refusals=[schemas.RefusalOut.model_validate(one) for one in queries.refusals(session, [trip_id])],
        empties=[schemas.EmptiesOut.model_validate(one) for one in queries.empties(session, [trip_id])],
        rest=schemas.RestOut.model_validate(rest),
    )


@routes.get("/return-rule")
def show_return_rule(session: SessionDep, caller: ReaderDep) -> schemas.ReturnRuleOut:
    """Show what goods that come back from a trip need to be sold again without QA's word."""
    rule = queries.return_rule(session, caller.site_id)
    if rule is not None:
        return schemas.ReturnRuleOut.model_validate(rule)
    return schemas.ReturnRuleOut(
        min_life_days=queries.MIN_LIFE_DAYS,
        most_unmeasured_s=queries.MOST_UNMEASURED_S,
        set_at=None,
        set_by=None,
    )


@routes.post("/return-rule")
def set_return_rule(
    body: schemas.ReturnRuleIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.ReturnRuleOut:
    """Set what goods that come back from a trip need to be sold again without QA's word."""
    rule = usecases.set_return_rule(session, now, caller, **body.model_dump())
    return schemas.ReturnRuleOut.model_validate(rule)


@routes.post("/trips/{trip_id}/end")
def end_trip(
    trip_id: Id, body: schemas.EndIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.TripOut:
    """End a trip: what is still on board comes back into the store; refused or too warm goods on hold."""
    usecases.end_trip(session, now, caller, trip_id=trip_id, **body.model_dump())
    _, found = queries.trip_view(session, caller.site_id, trip_id)
    return schemas.TripOut.model_validate(found)


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
        **asked.model_dump(include={"angle_deg", "tension_dan", "bar_dan", "working_load_lb"}),
    )
    states = queries.trip_securing(
        session, caller.site_id, trip_id, law=asked.law, gear=gear, walls=asked.walls
    )
    return schemas.SecuringOut.model_validate(
        {
            "law": asked.law,
            "edition": EDITIONS[asked.law].text,
            "friction": gear.friction,
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


@routes.post("/trips/{trip_id}/moves")
def move_on_deck(
    trip_id: Id, body: schemas.MoveIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.MoveOut:
    """Move a unit on the deck or to another trip, or see what gets better or worse by it."""
    result = usecases.move_on_deck(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.MoveOut(
        is_made=result.is_made,
        swapped_with=result.swapped_with,
        violations=[schemas.ViolationOut.model_validate(one) for one in result.violations],
        mended=[schemas.ViolationOut.model_validate(one) for one in result.mended],
        changes=[schemas.DeckChangeOut.of(key, change) for key, change in result.changes.items()],
    )


@routes.post("/trips/{trip_id}/pins")
def pin_units(
    trip_id: Id, body: schemas.PinIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.TripOut:
    """Pin units to their places, so that no move takes them from there, or let them go again."""
    usecases.pin_units(session, now, caller, trip_id=trip_id, **body.model_dump())
    _, found = queries.trip_view(session, caller.site_id, trip_id)
    return schemas.TripOut.model_validate(found)


@routes.get("/trips/{trip_id}/sheet", response_class=PlainTextResponse)
def print_sheet(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> PlainTextResponse:
    """Print a trip's loading sheet: setpoint, cautions, order of loading, weights, drops with lots."""
    paper, trip = queries.trip_paper(session, now, caller.site_id, trip_id)
    return PlainTextResponse(sheet_text(paper, trip.drawing))


@routes.get("/trips/{trip_id}/sheet.pdf", response_class=Response)
def print_sheet_pdf(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> Response:
    """Return the loading sheet as a PDF, with the deck drawn and the weights in every state."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _pdf(papers.sheet_pdf(paper))


@routes.get("/trips/{trip_id}/sheet.html", response_class=HTMLResponse)
def print_sheet_page(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> HTMLResponse:
    """Show the loading sheet as a page to print."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _page(papers.sheet_page(paper))


@routes.get("/trips/{trip_id}/delivery-notes.pdf", response_class=Response)
def print_notes_pdf(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> Response:
    """Return the delivery notes as a PDF, one a drop, with lots, SSCCs and lines to sign on."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _pdf(papers.notes_pdf(paper.head, paper.drops))


@routes.get("/trips/{trip_id}/delivery-notes.html", response_class=HTMLResponse)
def print_notes_page(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> HTMLResponse:
    """Show the delivery notes as a page to print, one sheet a drop."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _page(papers.notes_page(paper.head, paper.drops))


def _pdf(made: bytes) -> Response:
    return Response(made, media_type="application/pdf", headers={"Cache-Control": "no-store"})


def _page(made: str) -> HTMLResponse:
    headers = {"Content-Security-Policy": papers.POLICY, "Cache-Control": "no-store"}
    return HTMLResponse(made, headers=headers)


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
