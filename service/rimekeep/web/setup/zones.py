"""Pages of rooms and bays."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.stock import queries as stock
from rimekeep.stock import schemas
from rimekeep.stock.core.ranges import MOST_BAYS
from rimekeep.stock.core.states import BayRole
from rimekeep.web.setup import queries
from rimekeep.web.setup.picture import room_picture, windows
from rimekeep.web.setup.showing import Text, asked_for, may, number_of, show
from rimekeep.web.signed import SignedIn

router = APIRouter()
MOST_UNITS = 20


@router.get("/zones")
def list_zones(
    request: Request, session: SessionDep, caller: SignedIn, q: Text = "", after: Text = ""
) -> HTMLResponse:
    """List the rooms."""
    found = queries.zone_page(session, caller.site_id, asked_for(q, after))
    return show(request, session, caller, "zones", found=found, may_edit=may(caller, Role.LEAD))


@router.get("/zones/{zone_id}")
def show_zone(
    zone_id: Id, request: Request, session: SessionDep, caller: SignedIn, aisle: Text = ""
) -> HTMLResponse:
    """Show a room: its aisles as a picture, its sensors, and what there is to say of it."""
    room = stock.zone(session, caller.site_id, zone_id)
    rows = queries.aisles(session, caller.site_id, zone_id)
    groups = windows(rows)
    asked = number_of(aisle)
    place = next((n for n, group in enumerate(groups) if any(one.aisle == asked for one in group)), 0)
    shown = groups[place] if groups else []
    bays = queries.bays_of(session, caller.site_id, zone_id, [one.aisle for one in shown])
    crosses = [
        *(room.cross_aisles_after or []),
        *([room.slots_front_block] if room.slots_front_block else []),
    ]
    return show(
        request,
        session,
        caller,
        "zone",
        room=room,
        etag=etag_of(schemas.ZoneOut.model_validate(room)),
        aisles=rows,
        shown=shown,
        before=groups[place - 1][0].aisle if place else None,
        behind=groups[place + 1][0].aisle if place + 1 < len(groups) else None,
        picture=room_picture(bays, crosses, is_one_way=room.is_one_way) if bays else None,
        units=sum(bay.units for bay in bays),
        holds=sum(bay.room for bay in bays),
        sensors=queries.sensors_of(session, caller.site_id, zone_id),
        movable_to=queries.places_for_sensors(session, caller.site_id, zone_id),
        next_aisle=rows[-1].aisle + 1 if rows else 1,
        most_bays=MOST_BAYS,
        may_edit=may(caller, Role.LEAD),
        may_add_sensor=may(caller, Role.QA, Role.LEAD),
    )


@router.get("/bays")
def list_bays(
    request: Request,
    session: SessionDep,
    caller: SignedIn,
    room: Text = "",
    aisle: Text = "",
    q: Text = "",
    after: Text = "",
) -> HTMLResponse:
    """List bays, with their check codes for whoever hangs the labels."""
    zones = {zone.id: zone for zone in stock.rooms(session, caller.site_id)}
    chosen = zones.get(number_of(room) or 0)
    found = queries.bay_page(
        session,
        caller.site_id,
        asked_for(q, after),
        zone_id=chosen.id if chosen else None,
        aisle=number_of(aisle),
    )
    return show(
        request,
        session,
        caller,
        "bays",
        found=found,
        zones=zones,
        chosen=chosen,
        aisle=aisle,
        may_edit=may(caller, Role.LEAD),
    )


@router.get("/bays/{bay_id}")
def show_bay(bay_id: Id, request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show a bay, what stands on it, and how it may be changed."""
    bay = stock.bay(session, caller.site_id, bay_id)
    return show(
        request,
        session,
        caller,
        "bay",
        bay=bay,
        room=stock.zone(session, caller.site_id, bay.zone_id),
        # As whoever may change it reads it.
        etag=etag_of(schemas.BayOut.model_validate(bay)),
        units=queries.units_on(session, bay_id, MOST_UNITS),
        roles=list(BayRole),
        may_edit=may(caller, Role.LEAD),
    )
