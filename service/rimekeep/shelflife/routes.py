"""Endpoints of shelf life."""

from datetime import datetime
from typing import Annotated

from fastapi import Path
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.dependencies import QaDep, QaOrLeadDep, ReaderDep
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.shelflife import queries, schemas, usecases
from rimekeep.stock import queries as stock
from rimekeep.stock.core.records import ContentView

routes = router("", "shelf life")

MOST_POINTS = 200
Sscc = Annotated[str, Path(pattern=r"^[0-9]{18}$", description="The unit's SSCC.")]


@routes.post("/products/{product_id}/profiles", status_code=201)
def add_profile(
    product_id: Id, body: schemas.ProfileIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.ProfileOut:
    """Add a version of how a product ages; older versions stay."""
    added = usecases.add_profile(session, now, caller, product_id=product_id, **body.model_dump())
    return schemas.ProfileOut.model_validate(added)


@routes.get("/products/{product_id}/profiles")
def list_profiles(
    product_id: Id,
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
) -> Page[schemas.ProfileOut]:
    """List the versions of how a product ages."""
    stock.product(session, caller.site_id, product_id)
    return asked.show(session, queries.profiles(caller.site_id, product_id), schemas.ProfileOut)


@routes.post("/life/refresh")
def refresh_life(
    body: schemas.RefreshIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.RefreshedOut:
    """Work out what is left of the stock here, from the readings held now."""
    done = usecases.refresh_life(
        session,
        now,
        caller.site_id,
        content_ids=body.content_ids,
        use_newest=body.use_newest_profiles,
        actor_id=caller.id,
    )
    return schemas.RefreshedOut.model_validate(done)


@routes.get("/units/{sscc}/life")
def unit_life(sscc: Sscc, session: SessionDep, now: Now, caller: ReaderDep) -> schemas.LivesOut:
    """Show what is left of what is on a unit, and where it went."""
    unit = stock.unit_by_sscc(session, caller.site_id, sscc)
    contents = stock.contents(session, caller.site_id, unit_ids=[unit.id])
    return _lives(session, caller, now, contents)


@routes.get("/lots/{lot_id}/life")
def lot_life(lot_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> schemas.LivesOut:
    """Show what is left of a lot that is still here; pallets with one history stand together."""
    lot = stock.lot(session, caller.site_id, lot_id)
    contents = queries.contents_of_lot(session, caller.site_id, lot.id)
    return _lives(session, caller, now, contents)


def _lives(session: Session, caller: Caller, now: datetime, contents: list[ContentView]) -> schemas.LivesOut:
    found = queries.life_views(session, caller.site_id, now, contents, points=MOST_POINTS)
    return schemas.LivesOut(as_of_at=now, lives=[schemas.LifeOut.model_validate(view) for view in found])
