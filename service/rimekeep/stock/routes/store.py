"""Products, places, lots and units."""

from typing import Annotated, Any

from fastapi import Path, Query, Response

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import LeadDep, QaDep, QaOrLeadDep, ReaderDep, StoreDep, admits
from rimekeep.platform.conditions import etag_of, tagged
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.stock import queries, schemas, usecases
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.routes.router import routes

Sscc = Annotated[str, Path(pattern=r"^[0-9]{18}$", description="The unit's SSCC.")]
FloorDep = Annotated[Caller, admits(Role.PICKER, Role.DISPATCHER, Role.LEAD)]


@routes.post("/products", status_code=201)
def register_product(
    body: schemas.ProductIn, session: SessionDep, now: Now, caller: LeadDep
) -> schemas.ProductOut:
    """Register one beer in one package."""
    row = usecases.register_product(session, now, caller, **body.model_dump())
    return schemas.ProductOut.model_validate(row)


@routes.get("/products")
def list_products(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.ProductOut]:
    """List the products."""
    return asked.show(session, queries.products(caller.site_id), schemas.ProductOut)


@routes.get("/products/{product_id}")
def show_product(
    product_id: Id, session: SessionDep, caller: ReaderDep, response: Response
) -> schemas.ProductOut:
    """Show a product."""
    product = queries.product(session, caller.site_id, product_id)
    return tagged(response, schemas.ProductOut, product)


@routes.post("/zones", status_code=201)
def register_zone(body: schemas.ZoneIn, session: SessionDep, now: Now, caller: LeadDep) -> schemas.ZoneOut:
    """Register a room or area with its own air temperature."""
    row = usecases.register_zone(session, now, caller, **body.model_dump())
    return schemas.ZoneOut.model_validate(row)


@routes.get("/zones")
def list_zones(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.ZoneOut]:
    """List the zones, vehicles' load spaces too."""
    return asked.show(session, queries.zone_page(caller.site_id), schemas.ZoneOut)


@routes.get("/zones/{zone_id}")
def show_zone(zone_id: Id, session: SessionDep, caller: ReaderDep, response: Response) -> schemas.ZoneOut:
    """Show a zone."""
    return tagged(response, schemas.ZoneOut, queries.zone(session, caller.site_id, zone_id))


@routes.post("/bays", status_code=201)
def register_bay(body: schemas.BayIn, session: SessionDep, now: Now, caller: LeadDep) -> schemas.BayOut:
    """Register an addressable place in a zone."""
    row = usecases.register_bay(session, now, caller, **body.model_dump())
    return bay_shown(row, caller)


@routes.get("/bays")
def list_bays(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    zone_id: Id | None = None,
) -> Page[schemas.BayOut]:
    """List the bays, of one zone if asked."""
    listing = queries.bays(caller.site_id, zone_id=zone_id)
    return asked.page([bay_shown(row, caller) for row in asked.rows(session, listing)])


@routes.get("/bays/{bay_id}")
def show_bay(bay_id: Id, session: SessionDep, caller: ReaderDep, response: Response) -> schemas.BayOut:
    """Show a bay."""
    shown = bay_shown(queries.bay(session, caller.site_id, bay_id), caller)
    response.headers["ETag"] = etag_of(shown)
    return shown


@routes.post("/lots", status_code=201)
def register_lot(body: schemas.LotIn, session: SessionDep, now: Now, caller: QaOrLeadDep) -> schemas.LotOut:
    """Register what one packaging run made; it waits for QA's release."""
    row = usecases.register_lot(session, now, caller, **body.model_dump())
    return schemas.LotOut.model_validate(row)


@routes.get("/lots")
def list_lots(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    product_id: Id | None = None,
    qa_state: QaState | None = None,
) -> Page[schemas.LotOut]:
    """List the lots, of one product or QA state if asked."""
    listing = queries.lots(caller.site_id, product_id=product_id, qa_state=qa_state)
    return asked.show(session, listing, schemas.LotOut)


@routes.get("/lots/{lot_id}")
def show_lot(lot_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.LotOut:
    """Show a lot."""
    return schemas.LotOut.model_validate(queries.lot(session, caller.site_id, lot_id))


@routes.post("/lots/{lot_id}/hold")
def hold_lot(
    lot_id: Id, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.LotOut:
    """Stop a lot: nothing of it is picked or loaded until it is released."""
    row = usecases.hold_lot(session, now, caller, lot_id=lot_id, reason=body.reason)
    return schemas.LotOut.model_validate(row)


@routes.post("/lots/{lot_id}/release")
def release_lot(
    lot_id: Id, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.LotOut:
    """Let a lot be picked."""
    row = usecases.release_lot(session, now, caller, lot_id=lot_id, reason=body.reason)
    return schemas.LotOut.model_validate(row)


@routes.post("/lots/{lot_id}/reject")
def reject_lot(
    lot_id: Id, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.LotOut:
    """Stop a lot for good."""
    row = usecases.reject_lot(session, now, caller, lot_id=lot_id, reason=body.reason)
    return schemas.LotOut.model_validate(row)


@routes.post("/units", status_code=201)
def receive_unit(body: schemas.UnitIn, session: SessionDep, now: Now, caller: StoreDep) -> schemas.UnitOut:
    """Take a unit into stock."""
    facts = body.model_dump(exclude={"contents"})
    contents = [(content.lot_id, content.cases) for content in body.contents]
    return _shown(session, usecases.receive_unit(session, now, caller, contents=contents, **facts))


@routes.get("/units")
def list_units(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    zone_id: Id | None = None,
    product_id: Id | None = None,
    state: UnitState | None = None,
) -> Page[schemas.UnitOut]:
    """List the units with what is on them."""
    listing = queries.units(caller.site_id, zone_id=zone_id, product_id=product_id, state=state)
    views = queries.unit_views(session, caller.site_id, asked.rows(session, listing))
    return asked.page([schemas.UnitOut.model_validate(view) for view in views])


@routes.get("/units/{sscc}")
def show_unit(sscc: Sscc, session: SessionDep, caller: ReaderDep) -> schemas.UnitOut:
    """Show a unit with what is on it."""
    return _shown(session, queries.unit_by_sscc(session, caller.site_id, sscc))


@routes.post("/units/{sscc}/move")
def move_unit(
    sscc: Sscc, body: schemas.MoveIn, session: SessionDep, now: Now, caller: FloorDep
) -> schemas.UnitOut:
    """Move a unit to another bay or zone. Take care: forklifts and people share the aisle."""
    unit = queries.unit_by_sscc(session, caller.site_id, sscc)
    return _shown(session, usecases.move_unit(session, now, caller, unit_id=unit.id, **body.model_dump()))


@routes.post("/units/{sscc}/hold")
def hold_unit(
    sscc: Sscc, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.UnitOut:
    """Stop a unit: nothing on it is picked or loaded until it is released."""
    unit = queries.unit_by_sscc(session, caller.site_id, sscc)
    return _shown(session, usecases.hold_unit(session, now, caller, unit_id=unit.id, reason=body.reason))


@routes.post("/units/{sscc}/release")
def release_unit(
    sscc: Sscc, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.UnitOut:
    """Let a unit be picked."""
    unit = queries.unit_by_sscc(session, caller.site_id, sscc)
    return _shown(session, usecases.release_unit(session, now, caller, unit_id=unit.id, reason=body.reason))


@routes.post("/units/{sscc}/reject")
def reject_unit(
    sscc: Sscc, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.UnitOut:
    """Stop a unit for good."""
    unit = queries.unit_by_sscc(session, caller.site_id, sscc)
    return _shown(session, usecases.reject_unit(session, now, caller, unit_id=unit.id, reason=body.reason))


@routes.post("/units/{sscc}/adjust")
def adjust_cases(
    sscc: Sscc, body: schemas.AdjustIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.UnitOut:
    """Set the cases of one lot on a unit to what was counted."""
    unit = queries.unit_by_sscc(session, caller.site_id, sscc)
    usecases.adjust_cases(session, now, caller, unit_id=unit.id, **body.model_dump())
    return _shown(session, unit)


@routes.post("/units/{sscc}/destroy")
def destroy_cases(
    sscc: Sscc, body: schemas.DestroyIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.UnitOut:
    """Write off cases that were destroyed; QA must have stopped their unit or their lot before."""
    unit = queries.unit_by_sscc(session, caller.site_id, sscc)
    usecases.destroy_cases(session, now, caller, unit_id=unit.id, **body.model_dump())
    return _shown(session, unit)


@routes.get("/scan")
def scan(
    code: Annotated[
        str, Query(max_length=2000, description="What the scanner sent, FNC1 as the GS character.")
    ],
    session: SessionDep,
    now: Now,
    caller: ReaderDep,
) -> schemas.ScanOut:
    """Tell what a code is: a unit, a lot, a product or a bay."""
    found = queries.scanned(session, caller.site_id, code, reference_year=now.year)
    shown = schemas.ScanOut.model_validate(found)
    return shown if found.bay is None else shown.model_copy(update={"bay": bay_shown(found.bay, caller)})


def _shown(session: SessionDep, unit: Any) -> schemas.UnitOut:
    return schemas.UnitOut.model_validate(queries.unit_view(session, unit))


def bay_shown(row: Any, caller: Caller) -> schemas.BayOut:
    """Return a bay as the caller may see it."""
    # Whoever can look the code up need not go to the bay, which is all it is for.
    shown = schemas.BayOut.model_validate(row)
    return shown if caller.roles & {Role.LEAD, Role.ADMIN} else shown.model_copy(update={"check_code": None})
