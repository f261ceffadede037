"""Endpoints of vehicles, load plans and their making."""

from typing import Annotated

from fastapi import Header, Query, Request, Response

from rimekeep.access.dependencies import DispatcherDep, ReaderDep
from rimekeep.loading import queries, schemas, usecases
from rimekeep.loading.core.states import JobState, PlanState
from rimekeep.orders.schemas import Day
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, tagged
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "loading")


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
def show_vehicle(
    vehicle_id: Id, session: SessionDep, caller: ReaderDep, response: Response
) -> schemas.VehicleOut:
    """Show one vehicle."""
    return tagged(response, schemas.VehicleOut, queries.vehicle(session, caller.site_id, vehicle_id))


@routes.patch("/vehicles/{vehicle_id}", responses=CONDITIONAL)
def change_vehicle(
    vehicle_id: Id,
    body: schemas.VehicleChangeIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.VehicleOut:
    """
    Correct a vehicle between its trips.

    Caution: take axle data from the plate and the weigh note; guessed ones overload an axle on the road.
    """
    found = queries.vehicle(session, caller.site_id, vehicle_id, is_locked=True)
    condition.require(schemas.VehicleOut, found)
    usecases.change_vehicle(session, now, caller, found, **body.model_dump(exclude_unset=True))
    return tagged(response, schemas.VehicleOut, found)


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


@routes.post("/load-plans/{plan_id}/amend")
def amend_plan(
    plan_id: Id,
    body: schemas.AmendIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    request: Request,
) -> schemas.AmendOut:
    """Take late or changed units in with the fewest moves of what stands already."""
    done = usecases.amend_plan(
        session, now, caller, request.app.state.compute, plan_id=plan_id, **body.model_dump()
    )
    return schemas.AmendOut.model_validate(done)


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
