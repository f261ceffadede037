"""Pages of the fleet."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.loading import queries as loading
from rimekeep.loading import schemas
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.stock import queries as stock
from rimekeep.web.setup import queries
from rimekeep.web.setup.chassis import KINDS, USES, form_of, kind_of, lacking
from rimekeep.web.setup.showing import Text, asked_for, may, show
from rimekeep.web.signed import SignedIn

router = APIRouter()
EDITORS = (Role.DISPATCHER, Role.LEAD)


@router.get("/vehicles")
def list_vehicles(
    request: Request, session: SessionDep, caller: SignedIn, q: Text = "", after: Text = ""
) -> HTMLResponse:
    """List the fleet, with what is missing for what."""
    found = queries.vehicle_page(session, caller.site_id, asked_for(q, after))
    return show(
        request,
        session,
        caller,
        "vehicles",
        found=found,
        kinds=KINDS,
        kind_of=kind_of,
        uses=USES,
        may_edit=may(caller, *EDITORS),
    )


@router.get("/vehicles/new")
def new_vehicle(
    request: Request, session: SessionDep, caller: SignedIn, kind: Text = "rigid"
) -> HTMLResponse:
    """Ask for a vehicle's data."""
    chosen = kind if kind in KINDS else "rigid"
    return show(
        request,
        session,
        caller,
        "vehicle_new",
        form=form_of({}, chosen),
        kinds=KINDS,
        may_edit=may(caller, *EDITORS),
    )


@router.get("/vehicles/{vehicle_id}")
def show_vehicle(vehicle_id: Id, request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show a vehicle, what is missing for what, and how it may be corrected."""
    vehicle = loading.vehicle(session, caller.site_id, vehicle_id)
    form = form_of(vehicle.truck, kind_of(vehicle.truck))
    return show(
        request,
        session,
        caller,
        "vehicle",
        vehicle=vehicle,
        etag=etag_of(schemas.VehicleOut.model_validate(vehicle)),
        form=form,
        kinds=KINDS,
        lacking=lacking(vehicle.truck, form),
        room=stock.zone(session, caller.site_id, vehicle.zone_id),
        sensors=queries.sensors_of(session, caller.site_id, vehicle.zone_id),
        movable_to=queries.places_for_sensors(session, caller.site_id, vehicle.zone_id),
        may_add_sensor=may(caller, Role.QA, Role.LEAD),
        under_way=loading.plan_under_way(session, vehicle.id),
        may_edit=may(caller, *EDITORS),
    )
