"""Endpoints that change products, zones and bays, and add bays in ranges."""

from fastapi import Response

from rimekeep.access.dependencies import LeadDep
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, etag_of, tagged
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.stock import queries, schemas, usecases
from rimekeep.stock.routes.router import routes
from rimekeep.stock.routes.store import bay_shown
from rimekeep.stock.schemas.edits import (
    BayChangeIn,
    BayRangeIn,
    BayRangeOut,
    ProductChangeIn,
    ZoneChangeIn,
)


@routes.patch("/products/{product_id}", responses=CONDITIONAL)
def change_product(
    product_id: Id,
    body: ProductChangeIn,
    session: SessionDep,
    now: Now,
    caller: LeadDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.ProductOut:
    """Change a product. Caution: what is packed already weighs what it weighs; weigh before loading."""
    found = queries.product(session, caller.site_id, product_id, is_locked=True)
    condition.require(schemas.ProductOut, found)
    usecases.change_product(session, now, caller, found, **body.model_dump(exclude_unset=True))
    return tagged(response, schemas.ProductOut, found)


@routes.patch("/zones/{zone_id}", responses=CONDITIONAL)
def change_zone(
    zone_id: Id,
    body: ZoneChangeIn,
    session: SessionDep,
    now: Now,
    caller: LeadDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.ZoneOut:
    """Change a zone's name, its aisles, or what is taken along and built there."""
    found = queries.zone(session, caller.site_id, zone_id, is_locked=True)
    condition.require(schemas.ZoneOut, found)
    usecases.change_zone(session, now, caller, found, **body.model_dump(exclude_unset=True))
    return tagged(response, schemas.ZoneOut, found)


@routes.post("/bays/range", status_code=201)
def add_bays(body: BayRangeIn, session: SessionDep, now: Now, caller: LeadDep) -> BayRangeOut:
    """
    Add bays in a range, each with a check code of its own.

    Caution: racking bears what its load notices say. Put one up at every rack, and nothing heavier in.
    """
    added = usecases.add_bays(session, now, caller, **body.model_dump())
    return BayRangeOut(
        zone_id=body.zone_id, added=len(added), first_code=added[0].code, last_code=added[-1].code
    )


@routes.patch("/bays/{bay_id}", responses=CONDITIONAL)
def change_bay(
    bay_id: Id,
    body: BayChangeIn,
    session: SessionDep,
    now: Now,
    caller: LeadDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.BayOut:
    """Change a bay's check code, what it is for, or what it holds. Then change its label too."""
    found = queries.bay(session, caller.site_id, bay_id, is_locked=True)
    condition.check(etag_of(bay_shown(found, caller)))
    usecases.change_bay(session, now, caller, found, **body.model_dump(exclude_unset=True))
    shown = bay_shown(found, caller)
    response.headers["ETag"] = etag_of(shown)
    return shown
